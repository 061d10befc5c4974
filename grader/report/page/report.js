// Sort and filter the table of cuttings.  Without this script everything stays readable, in the order of the photos.
// The choice stands in the address after "#?", so that it can be kept as a bookmark and goes back with "back".
"use strict";
(() => {
  const form = document.getElementById("choose");
  const body = document.getElementById("cuttings-body");
  const told = document.getElementById("shown");
  if (!form || !body) return;
  const rows = Array.from(body.rows);
  const texts = new Map();
  const PREFIX = "#?";
  const NAMES = ["rule", "photo", "find", "sort", "dir", ...Array.from(form.querySelectorAll("[data-batch]"), (e) => e.name)];

  document.querySelectorAll(".script-only").forEach((part) => { part.hidden = false; });

  const grades = () => Array.from(form.querySelectorAll("input[name=grade]"));
  const textOf = (row) => {
    if (!texts.has(row)) texts.set(row, row.textContent.toLowerCase());
    return texts.get(row);
  };
  const keyOf = (row, name) => (name === "order" ? row.dataset.order : row.querySelector(`[data-by="${name}"]`).dataset.v);
  let order = rows;

  function readAddress() {
    const asked = new URLSearchParams(location.hash.startsWith(PREFIX) ? location.hash.slice(PREFIX.length) : "");
    const wanted = asked.has("grade") ? asked.get("grade").split(",") : null;
    for (const box of grades()) box.checked = wanted === null || wanted.includes(box.value);
    for (const name of NAMES) {
      const field = form.elements[name];
      const value = asked.get(name) || "";
      field.value = value;
      // A value that no choice has leaves the list empty: show the first choice instead.
      if (field.tagName === "SELECT" && field.selectedIndex < 0) field.selectedIndex = 0;
    }
  }

  function writeAddress() {
    const kept = new URLSearchParams();
    const ticked = grades().filter((box) => box.checked).map((box) => box.value);
    if (ticked.length < grades().length) kept.set("grade", ticked.join(","));
    for (const name of NAMES) if (form.elements[name].value) kept.set(name, form.elements[name].value);
    history.replaceState(null, "", kept.size ? PREFIX + kept : "#cuttings");
  }

  function fits(row, asked) {
    return asked.grades.has(row.dataset.grade)
      && (!asked.rule || row.dataset.rules.split(" ").includes(asked.rule))
      && (!asked.photo || row.dataset.photo === asked.photo)
      && asked.batch.every(([name, value]) => row.dataset[name] === value)
      && asked.words.every((word) => textOf(row).includes(word));
  }

  function sorted(name, sign) {
    const keys = rows.map((row, place) => ({ row, place, key: keyOf(row, name) }));
    keys.sort((a, b) => {
      // What has no value comes last, whichever way the others go.
      if ((a.key === "") !== (b.key === "")) return a.key === "" ? 1 : -1;
      return sign * (Number(a.key) - Number(b.key)) || a.place - b.place;
    });
    return keys.map((item) => item.row);
  }

  function show() {
    const asked = {
      grades: new Set(grades().filter((box) => box.checked).map((box) => box.value)),
      rule: form.elements.rule.value,
      photo: form.elements.photo.value,
      batch: Array.from(form.querySelectorAll("[data-batch]")).filter((e) => e.value).map((e) => [e.name, e.value]),
      words: form.elements.find.value.toLowerCase().split(/\s+/).filter(Boolean),
    };
    let n = 0;
    for (const row of rows) {
      row.hidden = !fits(row, asked);
      if (!row.hidden) n += 1;
    }
    const name = form.elements.sort.value || "order";
    const sign = form.elements.dir.value === "down" ? -1 : 1;
    const wanted = sorted(name, sign);
    if (wanted.some((row, place) => row !== order[place])) {
      order = wanted;
      body.replaceChildren(...order);
    }
    for (const head of document.querySelectorAll("th[data-sort]")) {
      if (head.dataset.sort === name) head.setAttribute("aria-sort", sign > 0 ? "ascending" : "descending");
      else head.removeAttribute("aria-sort");
    }
    told.textContent = `${n} of ${rows.length} cuttings shown`;
  }

  function visit() {
    const place = location.hash.startsWith(PREFIX) ? null : document.getElementById(location.hash.slice(1));
    if (place && place.parentElement === body) {
      if (place.hidden) { form.reset(); show(); }
      place.scrollIntoView();
    } else if (location.hash.startsWith(PREFIX)) {
      readAddress();
      show();
      document.getElementById("cuttings").scrollIntoView();
    }
  }

  let waiting = 0;
  const later = () => { clearTimeout(waiting); waiting = setTimeout(() => { writeAddress(); show(); }, 120); };
  form.addEventListener("input", later);
  form.addEventListener("submit", (event) => { event.preventDefault(); later(); });
  form.addEventListener("reset", () => setTimeout(() => { writeAddress(); show(); }));
  for (const head of document.querySelectorAll("th[data-sort]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    // Browsers do not print buttons again at the top of each page: words for the paper stand beside.
    const words = document.createElement("span");
    words.className = "on-paper";
    words.textContent = head.textContent;
    head.replaceChildren(button, words);
    button.addEventListener("click", () => {
      const again = form.elements.sort.value === head.dataset.sort && form.elements.dir.value !== "down";
      form.elements.sort.value = head.dataset.sort;
      form.elements.dir.value = again ? "down" : "";
      writeAddress();
      show();
    });
  }
  window.addEventListener("hashchange", visit);
  // Pictures that were not looked at yet are needed on paper too.
  window.addEventListener("beforeprint", () => document.querySelectorAll("img[loading=lazy]").forEach((i) => { i.loading = "eager"; }));
  readAddress();
  show();
  visit();
})();
