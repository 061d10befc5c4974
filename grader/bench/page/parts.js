// Parts of the page made from what the server tells.  All texts go in as text, never as HTML.
"use strict";
const benchParts = (() => {
  const STORE = "grading-bench";
  const GRADES = ["1", "2", "cull", "unsure"];
  const GRADE_WORDS = { 1: "grade 1", 2: "grade 2", cull: "cull", unsure: "unsure" };
  const STATE_WORDS = { waiting: "waiting", measuring: "being measured", unusable: "cannot be used", failed: "went wrong" };
  // The first words of the advice, as grader/verdict/wording.py writes it.
  const READY = /^stick\b/i;
  const BLADE = /\b(cut (again|the top)|divide)\b/i;

  const many = (n, one) => `${n} ${one}${n === 1 ? "" : "s"}`;
  // What is kept on the phone; where that is forbidden, until the page is left.
  let kept = {};
  try { kept = JSON.parse(localStorage.getItem(STORE)) || {}; } catch (e) { kept = {}; }
  function keep(changes) {
    Object.assign(kept, changes);
    try { localStorage.setItem(STORE, JSON.stringify(kept)); } catch (e) { /* nothing is lost but the convenience */ }
  }

  // Ask the server; a refusal comes as an error with its status, message and advice.
  async function get(address) {
    const answer = await fetch(address, { headers: { "X-Grader": "bench" }, cache: "no-store" });
    if (!answer.ok) {
      const told = await answer.json().catch(() => ({}));
      throw Object.assign(new Error(told.message || ""), { status: answer.status, advice: told.advice || "" });
    }
    return answer.json();
  }
  const needsPass = (status) => status === 401 || status === 403;

  // A number and its unit stay on one line.
  const held = (text) => text.replace(/(\d) (mm|in|MB)(?![a-z])/g, "$1\u00a0$2").replace(/ ± /g, "\u00a0±\u00a0");
  function made(tag, className, text) {
    const part = document.createElement(tag);
    if (className) part.className = className;
    if (text !== undefined) part.textContent = held(text);
    return part;
  }
  function sign(grade) {
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    const use = document.createElementNS("http://www.w3.org/2000/svg", "use");
    svg.setAttribute("class", "sign");
    svg.setAttribute("aria-hidden", "true");
    svg.setAttribute("viewBox", "0 0 24 24");
    use.setAttribute("href", `#sign-${grade}`);
    svg.append(use);
    return svg;
  }

  const isCut = (cutting, u) => BLADE.test(cutting.do[u]);
  function rowOf(cutting, u) {
    const row = made("li");
    if (READY.test(cutting.do[u])) row.dataset.ready = "yes";
    const head = made("h4");
    const badge = made("span", "badge");
    const number = made("b");
    number.append(made("span", "unseen", "Cutting "), String(cutting.number));
    badge.append(number, sign(cutting.grade));
    head.append(badge, made("span", "grade", GRADE_WORDS[cutting.grade] || cutting.grade));
    if (cutting.cell) head.append(made("span", "cell", `at ${cutting.cell}`));
    row.append(head, made("p", "do", cutting.do[u]));
    if (cutting.why && cutting.why[u]) row.append(made("p", "why", cutting.why[u]));
    const sizes = made("dl", "sizes");
    for (const [words, value] of [["Length", cutting.length], ["Stripped stem", cutting.stripped], ["Base diameter", cutting.diameter]]) {
      if (!value || !value[u]) continue;
      const pair = made("div");
      pair.append(made("dt", "", words), made("dd", "", value[u]));
      sizes.append(pair);
    }
    row.append(sizes);
    return row;
  }
  function bullets(id, texts) {
    document.getElementById(id).hidden = texts.length === 0;
    const list = document.getElementById(`${id}-list`);
    list.textContent = "";
    list.append(...texts.map((text) => made("li", "", text)));
  }
  function timeOf(one) {
    const time = /T(\d\d:\d\d)/.exec(one.received_at || "");
    return time ? time[1] : "";
  }
  function counted(one) { return GRADES.filter((grade) => (one.counts || {})[grade]).map((grade) => [grade, one.counts[grade]]); }
  function countsText(one) {
    const told = counted(one);
    const n = told.reduce((sum, pair) => sum + pair[1], 0);
    return n ? `${many(n, "cutting")}: ${told.map((pair) => `${pair[1]} ${GRADE_WORDS[pair[0]]}`).join(", ")}` : "no cutting found";
  }
  // Return the link to a tray, with its grades counted.
  function trayLink(one, name, isShown) {
    const link = made("a");
    link.href = `#${encodeURIComponent(one.id)}`;
    if (isShown) link.setAttribute("aria-current", "true");
    link.append(made("b", "", name), made("span", "", timeOf(one)));
    const told = counted(one);
    for (const [grade, n] of told) {
      const part = made("span", "count");
      part.append(sign(grade), ` ${n} ${GRADE_WORDS[grade]}`);
      link.append(part);
    }
    if (one.state !== "done") link.append(made("span", "", STATE_WORDS[one.state] || one.state));
    else if (!told.length) link.append(made("span", "", "no cutting found"));
    const who = [one.cutter, one.donor].filter(Boolean).join(", ");
    if (who) link.append(made("span", "who", who));
    return link;
  }

  return { kept, keep, get, needsPass, made, many, bullets, rowOf, isCut, timeOf, countsText, trayLink };
})();
