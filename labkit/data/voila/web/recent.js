// Rigs that were worked on lately, kept in this browser alone and shown on the first page.
// What is read back is outside input: checked field by field, written as text, never as HTML.
(() => {
  const STORE = "labkit.recent-rigs", MOST = 6, LONGEST_QUERY = 6000, LONGEST_TEXT = 160;
  const ready = (work) => (document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", work) : work());
  const isText = (value, longest) => typeof value === "string" && value.length > 0 && value.length <= longest;
  const isEntry = (entry) => entry !== null && typeof entry === "object" && isText(entry.query, LONGEST_QUERY) && /^v=1&[\w.~%&=+,;()*!'-]+$/.test(entry.query) && isText(entry.name, LONGEST_TEXT) && (entry.note === "" || isText(entry.note, LONGEST_TEXT));

  function read() {
    try {
      const found = JSON.parse(localStorage.getItem(STORE) ?? "[]");
      return Array.isArray(found) ? found.filter(isEntry).slice(0, MOST) : [];
    } catch { return []; }
  }
  function write(entries) { try { entries.length ? localStorage.setItem(STORE, JSON.stringify(entries)) : localStorage.removeItem(STORE); } catch { /* a browser that keeps nothing */ } }

  // the rig of the address, with the words that the page has for it
  function present() {
    const fields = location.search.slice(1).split("&").filter((field) => field && !field.startsWith("own.") && !field.startsWith("token="));
    const { rig, changes } = document.querySelector(".lab-actions")?.dataset ?? {};
    if (!rig || fields.length < 2 || fields[0] !== "v=1") return null;
    return { query: fields.join("&"), name: rig.slice(0, LONGEST_TEXT), note: changes.slice(0, LONGEST_TEXT) };
  }
  function keep() {
    let entry = null;
    try { entry = present(); } catch { entry = null; }
    if (!entry || !isEntry(entry) || entry.query === forgotten()) return;
    // steps on the way to a setting are one entry: the newest with the same controls moved takes their place
    const keys = (query) => query.split("&").map((field) => field.split("=")[0]).join("&") + (query.match(/(?:^|&)rig=([^&]*)/)?.[1] ?? "");
    write([entry, ...read().filter((old) => keys(old.query) !== keys(entry.query))].slice(0, MOST));
  }
  function show(section) {
    const entries = read(), list = section.querySelector("ul");
    section.hidden = entries.length === 0;
    list.replaceChildren(...entries.map((entry) => {
      const item = document.createElement("li"), link = document.createElement("a");
      const name = document.createElement("strong"), note = document.createElement("small");
      name.textContent = entry.name;
      note.textContent = entry.note;
      link.href = `${section.dataset.page}?${entry.query}`;
      link.append(name, note);
      item.append(link);
      return item;
    }));
  }
  // what was forgotten is not written down again until something changes
  const FORGOTTEN = "labkit.forgotten";
  const forgotten = () => { try { return sessionStorage.getItem(FORGOTTEN); } catch { return null; } };
  ready(() => {
    const section = document.querySelector(".lab-recent");
    const update = () => { keep(); if (section) show(section); };
    if (section) {
      show(section);
      section.querySelector("button").addEventListener("click", () => {
        try { sessionStorage.setItem(FORGOTTEN, present()?.query ?? ""); } catch { /* a browser that keeps nothing */ }
        write([]);
        show(section);
        document.querySelector("h1")?.focus();
      });
      window.addEventListener("pageshow", () => show(section));
    }
    if (document.body.dataset.voila === undefined) return;
    let timer = 0;
    const soon = () => { clearTimeout(timer); timer = setTimeout(update, 1500); };
    for (const name of ["change", "input", "click", "lab-moved"]) document.addEventListener(name, soon);
    window.addEventListener("pagehide", keep);
  });
})();
