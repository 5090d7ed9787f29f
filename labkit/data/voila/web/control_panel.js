// Grouped controls: sliders over listed positions, drop-downs and switches, with typed entry.
// Python owns every value; at most one change is on its way at a time, so a drag never queues up. What a person sets or
// types is theirs until Python has it: before the state of the page's address is there it waits here and is shown, and
// values that arrive do not overwrite it. When the kernel ends, what it has not answered is kept for the page opened anew.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-controls");
    const parts = new Map(); // key -> { show(value), spec }
    const pending = new Map(); // key -> { index, text } or { typed }: the latest not yet sent
    const drafts = new Set(); // keys of fields with a text that was not entered yet
    const unanswered = []; // [key, change] as they were sent
    const opened = new Set(); // titles of folds that somebody opened
    let waiting = null, held = null, building = false;
    const inLab = document.body.dataset.voila !== undefined, KEPT = "labkit.unanswered";
    const unique = Math.random().toString(36).slice(2, 8);

    function make(tag, attributes = {}, ...children) {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) {
        if (name === "class") node.className = value; else node.setAttribute(name, value);
      }
      node.append(...children);
      return node;
    }
    function flush() {
      if (waiting !== null || pending.size === 0 || (inLab && model.get("holds"))) return;
      const [key, change] = pending.entries().next().value;
      pending.delete(key);
      unanswered.push([key, change]);
      waiting = setTimeout(() => { waiting = null; flush(); }, 1500); // an answer that never comes must not lock the panel
      model.send(change.typed === undefined ? { do: "set", key, index: change.index } : { do: "type", key, text: change.typed });
    }
    function set(key, change) { pending.set(key, change); flush(); }

    function typed(spec, id) {
      const entry = make("input", { type: "text", class: "lab-readout", id: `${id}-text`, "aria-label": `${spec.label}, type a value`, autocomplete: "off", spellcheck: "false" });
      entry.addEventListener("focus", () => entry.select());
      entry.addEventListener("input", () => drafts.add(spec.key));
      // a text that was put back into a new field is entered like one that was typed there, which "change" alone misses
      const enter = () => { if (!building && drafts.delete(spec.key)) set(spec.key, { typed: entry.value.slice(0, 60) }); };
      for (const name of ["change", "blur"]) entry.addEventListener(name, enter);
      entry.addEventListener("keydown", (event) => {
        if (event.key === "Enter") enter();
        if (event.key === "Escape") { drafts.delete(spec.key); show(spec.key); entry.select(); }
      });
      return entry;
    }
    function slider(spec, id) {
      const range = make("input", { type: "range", id, min: 0, max: spec.texts.length - 1, step: 1, "aria-describedby": `${id}-error` });
      const entry = typed(spec, id);
      const put = (index) => { range.value = index; entry.value = spec.texts[index]; range.setAttribute("aria-valuetext", spec.texts[index]); paint(index); };
      const paint = (index) => range.style.setProperty("--part", spec.texts.length > 1 ? index / (spec.texts.length - 1) : 0);
      range.addEventListener("pointerdown", () => { held = spec.key; });
      for (const name of ["pointerup", "pointercancel", "blur"]) range.addEventListener(name, () => { held = null; });
      range.addEventListener("input", () => {
        put(Number(range.value));
        drafts.delete(spec.key);
        set(spec.key, { index: Number(range.value), text: spec.texts[range.value] });
      });
      const row = make("div", { class: "lab-row lab-row-slider" }, make("label", { for: id }, spec.label), entry, range);
      parts.set(spec.key, { spec, row, entry, put, show(value) {
        entry.setAttribute("aria-invalid", value.error ? "true" : "false");
        if (pending.has(spec.key) || drafts.has(spec.key)) return;
        if (document.activeElement !== entry || value.error === "") entry.value = value.text;
        if (held === spec.key) return;
        range.value = value.index;
        range.setAttribute("aria-valuetext", value.text);
        paint(value.index);
      } });
      return row;
    }
    function choice(spec, id) {
      const select = make("select", { id, "aria-describedby": `${id}-error` });
      spec.texts.forEach((text, index) => select.append(make("option", { value: index }, text)));
      const row = make("div", { class: "lab-row lab-row-choice" }, make("label", { for: id }, spec.label), select);
      let entry = null;
      if (spec.typed) {
        select.append(make("option", { value: "type" }, "Type a value …"));
        entry = typed(spec, id);
        entry.hidden = true;
        entry.placeholder = spec.typed;
        row.append(entry);
      }
      select.addEventListener("change", () => {
        drafts.delete(spec.key);
        if (entry) entry.hidden = select.value !== "type";
        if (select.value === "type") { entry.value = ""; entry.focus(); }
        else if (select.value !== "other") set(spec.key, { index: Number(select.value), text: spec.texts[select.value] });
      });
      const put = (index) => { select.value = String(index); };
      const typing = () => { entry.hidden = false; select.value = "type"; };
      parts.set(spec.key, { spec, row, entry, put, typing, show(value) {
        if (pending.has(spec.key) || drafts.has(spec.key)) return;
        if (entry) {
          entry.setAttribute("aria-invalid", value.error ? "true" : "false");
          if (value.error || (document.activeElement === entry && !entry.value)) return;
          entry.hidden = true;
        }
        select.querySelector("option[value=other]")?.remove();
        if (value.index < 0) select.prepend(make("option", { value: "other" }, value.text)); // a value between the listed ones
        select.value = value.index < 0 ? "other" : String(value.index);
      } });
      return row;
    }
    function positions(spec, id) {
      const set_ = make("fieldset", { class: "lab-row lab-switch", "aria-describedby": `${id}-error` }, make("legend", {}, spec.label));
      const box = make("div", { class: "lab-segments" });
      spec.texts.forEach((text, index) => {
        const radio = make("input", { type: "radio", name: id, id: `${id}-${index}`, value: index });
        radio.addEventListener("change", () => set(spec.key, { index, text }));
        box.append(make("span", {}, radio, make("label", { for: `${id}-${index}` }, text)));
      });
      set_.append(box);
      const put = (at) => box.querySelectorAll("input").forEach((radio, index) => { radio.checked = index === at; });
      parts.set(spec.key, { spec, row: set_, put, show(value) { if (!pending.has(spec.key)) put(value.index); } });
      return set_;
    }
    function show(key) {
      const part = parts.get(key), value = model.get("values")[key];
      if (!part || !value) return;
      part.show(value);
      const error = part.row.querySelector(".lab-error");
      if (error.textContent !== value.error) error.textContent = value.error;
      if (value.error) part.row.closest("details")?.setAttribute("open", "");
    }
    function showHeads() {
      const heads = model.get("heads");
      for (const head of el.querySelectorAll(".lab-head")) head.textContent = heads[head.dataset.title] ?? "";
    }
    function showAll() { for (const key of parts.keys()) show(key); }
    // Show again what waits, among other controls: a position is found by its words, since lists differ between rigs.
    function showWaiting(texts) {
      for (const [key, change] of [...pending]) {
        const part = parts.get(key);
        const index = change.typed === undefined ? part?.spec.texts.indexOf(change.text) : -1;
        if (index >= 0) { pending.set(key, { ...change, index }); part.put(index); }
        else if (part?.entry) { const words = change.typed ?? change.text; pending.set(key, { typed: words }); part.typing?.(); part.entry.value = words; }
        else pending.delete(key);
      }
      for (const key of drafts) {
        const part = parts.get(key);
        if (!part?.entry) { drafts.delete(key); continue; }
        part.row.closest("details")?.setAttribute("open", ""); // what is being typed is seen
        part.typing?.();
        part.entry.value = texts.get(key) ?? "";
      }
    }
    function build() {
      const active = el.contains(document.activeElement) ? document.activeElement : null, focused = active?.id;
      const marked = active && drafts.size ? [active.selectionStart, active.selectionEnd] : null;
      const texts = new Map([...drafts].map((key) => [key, parts.get(key)?.entry?.value]));
      building = true; // a field that is taken away while somebody types into it says that it was left
      el.replaceChildren();
      building = false;
      parts.clear();
      model.get("groups").forEach((group, place) => {
        const id = `${unique}-${place}`, head = make("span", { class: "lab-head" });
        head.dataset.title = group.title;
        const title = make("h2", { id }, make("b", {}, group.title), head);
        const rows = group.fold ? make("div", { class: "lab-folded" }) : make("section", { class: "lab-group", "aria-labelledby": id }, title);
        let box = rows;
        if (group.fold) {
          box = make("details", { class: "lab-group lab-fold" }, make("summary", {}, title), rows);
          box.open = opened.has(group.title);
          box.addEventListener("toggle", () => (box.open ? opened.add(group.title) : opened.delete(group.title)));
        }
        for (const spec of group.controls) {
          const of = `${unique}-${spec.key}`.replace(/[^\w-]/g, "_");
          const row = { slider, choice, switch: positions }[spec.kind](spec, of);
          row.append(make("p", { class: "lab-error", id: `${of}-error`, role: "alert" }));
          row.dataset.key = spec.key;
          rows.append(row);
        }
        if (group.note) rows.append(make("p", { class: "lab-note" }, group.note));
        el.append(box);
      });
      showAll();
      showHeads();
      showWaiting(texts);
      if (focused) {
        const again = document.getElementById(focused);
        again?.focus();
        if (marked && again?.setSelectionRange && again.type === "text") again.setSelectionRange(...marked);
      }
    }
    const answered = () => { clearTimeout(waiting); waiting = null; unanswered.shift(); flush(); };
    // for the page that is opened anew in this tab, and no other
    function keep() {
      const changes = [...unanswered, ...pending];
      const texts = [...drafts].map((key) => [key, parts.get(key)?.entry?.value ?? ""]);
      if (!changes.length && !texts.length) return;
      try { sessionStorage.setItem(KEPT, JSON.stringify({ at: location.pathname + location.search, changes, texts })); } catch { /* a browser that keeps nothing */ }
    }
    function takeUp() {
      let kept = null;
      try { kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "null"); sessionStorage.removeItem(KEPT); } catch { kept = null; }
      if (kept?.at !== location.pathname + location.search) return;
      for (const [key, change] of kept.changes) pending.set(key, change);
      for (const [key] of kept.texts) drafts.add(key);
      showWaiting(new Map(kept.texts));
      flush();
      const [key] = drafts, entry = parts.get(key)?.entry;
      entry?.focus(); // where the hands were
      entry?.setSelectionRange(entry.value.length, entry.value.length);
    }
    model.on("change:groups", build);
    model.on("change:values", showAll);
    model.on("change:heads", showHeads);
    model.on("msg:custom", (message) => { if (message.answered) answered(); });
    model.on("change:holds", flush);
    build();
    if (!inLab) return;
    takeUp();
    document.addEventListener("lab-ended", keep);
    return () => document.removeEventListener("lab-ended", keep);
  },
};
