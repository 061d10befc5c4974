// The page of the grading bench: send photos, wait for the answer, show it.  Plain script for weak and old phones.
// The tray shown stands in the address after "#", so that "back" and a reload work.  All texts go in as text, never as HTML.
"use strict";
(() => {
  const { kept, keep, get, needsPass, made, many, bullets, rowOf, isCut, timeOf, countsText, trayLink } = benchParts;
  const POLL_MS = 400, SLOW_POLL_MS = 2000, SLOW_AFTER_MS = 10000, LIST_POLL_MS = 3000;
  const STALLED_MS = 30000; // no byte moved for so long: the connection is lost
  const RETRY_S = 5, LONGEST_RETRY_S = 60;

  const $ = (id) => document.getElementById(id);
  const batchForm = $("batch-form"), marked = $("marked");
  const show = (id, wanted) => { $(id).hidden = !wanted; };
  const set = (id, text) => { if ($(id).textContent !== text) $(id).textContent = text; };
  const say = (text) => set("tell", text);

  let batch = kept.batch || {}; // whose cuttings the next photo shows

  const setup = { targets: [], chosen: {}, unit: "mm", max_mb: 40 };
  let trays = [];      // summaries, newest first
  let tray = null;     // what the server last said of the tray shown
  let refused = null;  // a photo that the server or this page did not take
  let stuck = null;    // why the first photo of the outbox is not on its way
  const outbox = [];   // photos not yet taken by the server, oldest first
  let lastSent = { id: "", item: null };
  const asked = () => decodeURIComponent(location.hash.slice(1));
  const unit = () => kept.unit || setup.unit;

  const NO_PASS = "Scan the code on the computer's screen again.";
  const BUSY = "The computer is busy";
  const NO_NET = "No connection to the computer. Stay in reach of the wireless network; it is tried again.";

  // ---- batch data
  function showBatch() {
    const told = ["cutter", "donor", "species"].map((name) => batch[name]).filter(Boolean);
    const chosen = setup.targets.find((one) => one.name === batch.targets);
    const whose = told.length ? told.join(", ") : "Whose cuttings?";
    set("batch-line", chosen ? `${whose}${told.length ? "," : ""} ${chosen.title}` : whose);
    for (const name of ["cutter", "donor", "species", "targets"]) {
      if (batchForm.elements[name] !== document.activeElement) batchForm.elements[name].value = batch[name] || "";
    }
  }
  function keepBatch() {
    batch = {};
    for (const name of ["cutter", "donor", "species", "targets"]) batch[name] = batchForm.elements[name].value.trim();
    keep({ batch });
    showBatch();
  }
  function setUp() {
    const list = batchForm.elements.targets;
    list.textContent = "";
    for (const one of setup.targets) list.append(new Option(one.title, one.name));
    batch = Object.assign({}, setup.chosen, kept.batch);
    if (!setup.targets.some((one) => one.name === batch.targets)) batch.targets = setup.chosen.targets;
    $("batch").open = !kept.batch && !setup.chosen.cutter;
    showBatch();
    $(unit() === "in" ? "unit-in" : "unit-mm").checked = true;
  }

  // ---- sending: one photo after the other, each kept here until the server has it
  let request = null, retryTimer = 0, tries = 0;
  function add(files) {
    const pictures = Array.from(files);
    if (!pictures.length) return;
    refused = null;
    for (const file of pictures) {
      if (file.size > setup.max_mb * 1e6) {
        const size = `This picture has ${(file.size / 1e6).toFixed(0)} MB; up to ${setup.max_mb} MB are taken.`;
        refuse({ message: size, advice: "Send it as JPEG, or photograph the tray again." });
      } else if (file.size === 0) {
        refuse({ message: "This picture is empty.", advice: "Photograph the tray again." });
      } else {
        outbox.push({ file, batch: Object.assign({}, batch) });
      }
    }
    $("batch").open = false;
    if (!outbox.length) return;
    if (asked()) history.pushState(null, "", location.pathname);
    follow();
    if (!request && !stuck) send();
    if (!refused) $("sending-title").focus();
  }
  function refuse(told) {
    refused = told;
    say(`${told.message} ${told.advice}`);
    draw();
    $("bad-title").focus();
  }
  function send() {
    clearTimeout(retryTimer);
    stuck = null;
    if (!outbox.length) { draw(); return; }
    const item = outbox[0];
    const form = new FormData();
    for (const name of Object.keys(item.batch)) form.append(name, item.batch[name] || "");
    form.append("photo", item.file, item.file.name || "photo.jpg");
    const mine = request = new XMLHttpRequest();
    let stall = 0, quarter = 0;
    const alive = () => { clearTimeout(stall); stall = setTimeout(() => { if (request === mine) lost(); mine.abort(); }, STALLED_MS); };
    const lost = () => { clearTimeout(stall); if (request === mine) { request = null; wait(NO_NET, "", 0, "Not sent yet"); } };
    mine.open("POST", "/api/trays");
    mine.setRequestHeader("X-Grader", "bench");
    mine.upload.onprogress = (event) => {
      alive();
      const percent = event.lengthComputable ? Math.floor(100 * event.loaded / event.total) : 0;
      $("sent").value = percent;
      set("sending-state", percent < 100 ? `${percent} % sent` : "All sent");
      if (Math.floor(percent / 25) > quarter) { quarter = Math.floor(percent / 25); say(`${25 * quarter} % sent`); }
    };
    mine.onerror = lost;
    mine.onload = () => { clearTimeout(stall); if (request === mine) { request = null; answered(mine, item); } };
    $("sent").value = 0;
    set("sending-state", "0 % sent");
    say("Sending the photo");
    alive();
    mine.send(form);
    draw();
  }
  function answered(answer, item) {
    let told = {};
    try { told = JSON.parse(answer.responseText) || {}; } catch (e) { told = {}; }
    const status = answer.status;
    if (status === 202 && told.id) {
      outbox.shift();
      tries = 0;
      lastSent = { id: told.id, item };
      list();
      if (asked() || refused) say("The photo is sent"); else location.hash = encodeURIComponent(told.id);
      send();
    } else if (status === 503 || status === 429) {
      const pause = parseInt(answer.getResponseHeader("Retry-After"), 10);
      wait(told.message || "The computer is busy with other photos.", told.advice, pause, BUSY);
    } else if (needsPass(status)) {
      wait(told.message || "This phone's pass is not known any more.", `${NO_PASS} Then come back to this page and send again.`, Infinity, "Not sent yet");
    } else if (status === 408 || status >= 500) {
      wait(told.message || "Something went wrong on the computer.", told.advice, 0, "Not sent yet");
    } else {
      outbox.shift();
      refuse({ message: told.message || "The computer did not take this photo.", advice: told.advice || "Photograph the tray again." });
      send();
    }
  }
  // Keep the photo and try again: after the pause asked for, or after 5, 10, 20, 40, 60 s.
  function wait(message, advice, pause_s, title) {
    const pause = pause_s > 0 ? pause_s : Math.min(RETRY_S * Math.pow(2, tries), LONGEST_RETRY_S);
    tries += 1;
    stuck = { message, advice: advice || "", title, isBusy: title === BUSY, at: Date.now() + 1000 * pause };
    say(`${title}. ${message} ${stuck.advice} Your photo is kept.`);
    tick();
    if (document.activeElement === document.body || document.activeElement === $("sending-title")) $("again").focus();
  }
  function tick() {
    clearTimeout(retryTimer);
    if (!stuck) return;
    const left_s = Math.ceil((stuck.at - Date.now()) / 1000);
    if (left_s <= 0) { send(); return; }
    draw();
    if (left_s < Infinity) retryTimer = setTimeout(tick, 500);
  }
  function drop() {
    outbox.shift();
    tries = 0;
    if (request) { const old = request; request = null; old.abort(); }
    say("The photo is not sent");
    send();
    follow();
    if (!outbox.length) $("camera").focus();
  }
  const hurry = () => { if (stuck && !stuck.isBusy) send(); };

  // ---- the tray shown: asked for again until it is done
  let pollTimer = 0, since = 0;
  function follow() {
    clearTimeout(pollTimer);
    tray = null;
    since = Date.now();
    if (asked()) { refused = null; look(asked()); }
    draw();
  }
  async function look(id) {
    clearTimeout(pollTimer);
    let pause = Date.now() - since < SLOW_AFTER_MS ? POLL_MS : SLOW_POLL_MS;
    try {
      const told = await get(`/api/trays/${encodeURIComponent(id)}`);
      if (id !== asked()) return;
      const before = tray;
      tray = told;
      const on = told.state === "waiting" || told.state === "measuring";
      if (!trays.some((one) => one.id === id) || (!on && (!before || before.state !== told.state))) await list();
      if (id !== asked()) return;
      draw();
      if (on) say(progressOf(told)); else { arrived(); return; }
    } catch (problem) {
      if (id !== asked()) return;
      if (problem.status === 404) {
        refuse({ message: problem.message || "This tray is not known any more.", advice: "Its photo and results are in the folder on the computer.", next: "Photograph the next tray" });
        return;
      }
      pause = SLOW_POLL_MS;
      const words = needsPass(problem.status) ? `${problem.message} ${NO_PASS}` : problem.message || NO_NET;
      if (!tray) tray = { id, state: "waiting" };
      tray.trouble = words;
      draw();
      say(words);
    }
    pollTimer = setTimeout(() => { if (id === asked()) look(id); }, pause);
  }
  function progressOf(told) {
    if (told.trouble) return told.trouble;
    if (told.state === "waiting" && told.ahead > 0) return `${many(told.ahead, "photo")} before yours`;
    return told.state === "waiting" ? "Yours is next" : "Measuring";
  }
  function arrived() {
    const isBad = tray.state !== "done";
    say(isBad ? `${tray.message || ""} ${tray.advice || ""}` : `${nameOf(tray.id)}, ${countsText(tray)}`);
    if (batchForm.contains(document.activeElement)) return; // somebody is writing there
    $(isBad ? "bad-title" : "tray-title").focus();
    if (!isBad) $("tray").scrollIntoView();
  }

  // ---- all trays of the session
  let listTimer = 0;
  async function list() {
    clearTimeout(listTimer);
    try {
      const before = trays;
      trays = (await get("/api/trays")).trays;
      for (const one of trays) {
        const old = before.find((other) => other.id === one.id);
        if (old && old.state !== one.state && one.id !== asked() && one.state === "done") say(`${nameOf(one.id)} is ready: ${countsText(one)}`);
      }
      drawTrays();
    } catch (e) { /* told where it matters: when sending and when asking for one tray */ }
    if (trays.some((one) => one.state === "waiting" || one.state === "measuring")) listTimer = setTimeout(list, LIST_POLL_MS);
  }
  function nameOf(id) {
    const place = trays.findIndex((one) => one.id === id);
    return place < 0 ? "Tray" : `Tray ${trays.length - place}`;
  }

  // ---- drawing
  function draw() {
    const id = asked();
    const isBad = refused !== null || (tray !== null && (tray.state === "unusable" || tray.state === "failed"));
    const isHome = !id && !outbox.length;
    const isDone = tray !== null && tray.state === "done" && !refused;
    show("bad", isBad);
    show("take", isBad || isHome);
    show("next", !isBad && !isHome);
    document.body.classList.toggle("home", isHome && !isBad);
    set("take-words", isBad ? (refused && refused.next) || "Photograph it again" : "Photograph the tray");
    if (isBad) {
      const told = refused || tray;
      set("bad-title", tray && !refused && tray.state === "failed" ? `${nameOf(id)}: something went wrong on the computer` : `${refused ? "This photo" : nameOf(id)} cannot be used`);
      set("bad-message", told.message || "");
      set("bad-advice", told.advice || "");
      show("bad-again", !refused && tray.state === "failed" && lastSent.id === id && lastSent.item !== null);
    }
    show("sending", outbox.length > 0);
    if (outbox.length) {
      set("sending-title", stuck ? stuck.title : "Sending the photo");
      show("sent", !stuck);
      show("again", stuck !== null);
      set("sending-advice", stuck ? stuck.advice : "");
      if (stuck) {
        const left_s = Math.ceil((stuck.at - Date.now()) / 1000);
        set("sending-state", `${stuck.message} Your photo is kept.${left_s < Infinity ? ` Sent again in ${Math.max(left_s, 0)} s.` : ""}`);
      }
      set("sending-more", outbox.length > 1 ? `${many(outbox.length - 1, "more photo")} to send after it.` : "");
    }
    show("tray", id !== "" && !isBad);
    if (id && !isBad) {
      set("tray-title", isDone ? `${nameOf(id)}, ${countsText(tray)}` : nameOf(id));
      set("tray-of", tray ? [timeOf(tray), tray.cutter, tray.donor, tray.title].filter(Boolean).join(", ") : "");
      show("tray-state", !isDone);
      set("tray-state", tray ? progressOf(tray) : "Asking the computer");
      show("result", isDone);
      if (isDone) drawResult();
    }
    drawTrays();
  }

  let drawn = "";
  function drawResult() {
    const key = `${tray.id} ${unit()}`;
    if (drawn === key) return;
    drawn = key;
    const u = unit();
    show("picture", Boolean(tray.picture));
    if (tray.picture && marked.getAttribute("src") !== tray.picture) {
      show("picture-lost", false);
      benchViewer.open(tray.picture);
      $("alone").href = tray.picture;
    }
    const rows = tray.cuttings.map((cutting) => rowOf(cutting, u));
    $("cuttings").textContent = "";
    $("cuttings").append(...rows);
    const n_ready = rows.filter((row) => row.dataset.ready).length;
    show("only", n_ready > 0);
    set("only-words", `Hide ${n_ready === 1 ? "the one" : `the ${n_ready}`} ready to stick`);
    const needsBlade = tray.cuttings.some((cutting) => isCut(cutting, u));
    show("blades", needsBlade);
    show("blades-after", needsBlade);
    filter();
    bullets("aside", tray.set_aside.map((thing) => `${thing.label}: ${thing.why}`));
    bullets("notes", tray.warnings);
  }
  function filter() {
    const isOn = $("hide-ready").checked;
    for (const row of $("cuttings").children) row.hidden = isOn && Boolean(row.dataset.ready);
  }
  let traysKey = "";
  function drawTrays() {
    const id = asked();
    show("earlier", trays.length > 0);
    const key = JSON.stringify([id, trays]);
    if (key === traysKey) return; // what has the focus is not drawn anew for nothing
    traysKey = key;
    const hadFocus = $("trays").contains(document.activeElement) ? document.activeElement.getAttribute("href") : "";
    $("trays").textContent = "";
    for (const one of trays) {
      const link = trayLink(one, nameOf(one.id), one.id === id);
      const item = made("li");
      item.append(link);
      $("trays").append(item);
      if (hadFocus && link.getAttribute("href") === hadFocus) link.focus();
    }
  }

  // ---- what people do
  marked.addEventListener("error", () => show("picture-lost", true));
  $("picture-again").addEventListener("click", () => { show("picture-lost", false); marked.src = tray.picture; });

  for (const id of ["camera", "camera-next", "chooser"]) {
    $(id).addEventListener("change", () => {
      const files = Array.from($(id).files);
      $(id).value = ""; // the same picture may be chosen again
      add(files);
    });
  }
  let over = 0;
  document.addEventListener("dragover", (event) => {
    event.preventDefault();
    document.body.classList.add("over");
    clearTimeout(over);
    over = setTimeout(() => document.body.classList.remove("over"), 300);
  });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    add(event.dataTransfer.files);
  });
  $("again").addEventListener("click", () => { send(); $("sending-title").focus(); });
  $("drop").addEventListener("click", drop);
  $("bad-again").addEventListener("click", () => { const item = lastSent.item; lastSent = { id: "", item: null }; add([item.file]); });
  $("hide-ready").addEventListener("change", () => {
    filter();
    const rows = Array.from($("cuttings").children);
    say(`${rows.filter((row) => !row.hidden).length} of ${many(rows.length, "cutting")} shown`);
  });
  batchForm.addEventListener("input", keepBatch);
  batchForm.addEventListener("submit", (event) => {
    event.preventDefault();
    keepBatch();
    $("batch").open = false;
    $("batch").querySelector("summary").focus();
  });
  for (const id of ["unit-mm", "unit-in"]) {
    $(id).addEventListener("change", () => { keep({ unit: $(id).value }); say($(id).value === "in" ? "Sizes in inches" : "Sizes in millimetres"); draw(); });
  }
  addEventListener("hashchange", follow);
  addEventListener("online", hurry);
  addEventListener("beforeunload", (event) => { if (outbox.length) { event.preventDefault(); event.returnValue = ""; } });
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return;
    hurry();
    if (asked() && tray && (tray.state === "waiting" || tray.state === "measuring")) look(asked());
  });

  async function start() {
    showBatch();
    try {
      Object.assign(setup, await get("/api/setup"));
      setUp();
    } catch (problem) {
      const words = needsPass(problem.status) ? `${problem.message} ${NO_PASS}` : NO_NET;
      say(words);
      set("batch-line", words);
      if (!needsPass(problem.status)) setTimeout(start, 1000 * RETRY_S);
    }
    await list();
  }
  follow();
  start();
})();
