// Grouped controls: sliders over listed positions, drop-downs and switches, with typed entry.
// Python owns every value; at most one change is on its way at a time, so a drag never queues up.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-controls");
    const parts = new Map(); // key -> { show(value), spec }
    const pending = new Map(); // key -> latest index not yet sent
    let waiting = null, held = null;
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
      if (waiting !== null || pending.size === 0) return;
      const [key, index] = pending.entries().next().value;
      pending.delete(key);
      waiting = setTimeout(() => { waiting = null; flush(); }, 1500); // an answer that never comes must not lock the panel
      model.send({ do: "set", key, index });
    }
    function set(key, index) { pending.set(key, index); flush(); }

    function typed(spec, id) {
      const entry = make("input", { type: "text", class: "lab-readout", id: `${id}-text`, "aria-label": `${spec.label}, type a value`, autocomplete: "off", spellcheck: "false" });
      entry.addEventListener("focus", () => entry.select());
      entry.addEventListener("change", () => model.send({ do: "type", key: spec.key, text: entry.value.slice(0, 60) }));
      entry.addEventListener("keydown", (event) => { if (event.key === "Escape") { show(spec.key); entry.select(); } });
      return entry;
    }
    function slider(spec, id) {
      const range = make("input", { type: "range", id, min: 0, max: spec.texts.length - 1, step: 1, "aria-describedby": `${id}-error` });
      const entry = typed(spec, id);
      const paint = (index) => range.style.setProperty("--part", spec.texts.length > 1 ? index / (spec.texts.length - 1) : 0);
      range.addEventListener("pointerdown", () => { held = spec.key; });
      for (const name of ["pointerup", "pointercancel", "blur"]) range.addEventListener(name, () => { held = null; });
      range.addEventListener("input", () => {
        const index = Number(range.value);
        entry.value = spec.texts[index];
        range.setAttribute("aria-valuetext", spec.texts[index]);
        paint(index);
        set(spec.key, index);
      });
      const row = make("div", { class: "lab-row lab-row-slider" }, make("label", { for: id }, spec.label), entry, range);
      parts.set(spec.key, { spec, row, show(value) {
        if (document.activeElement !== entry || value.error === "") entry.value = value.text;
        entry.setAttribute("aria-invalid", value.error ? "true" : "false");
        if (held === spec.key || pending.has(spec.key)) return;
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
        if (entry) entry.hidden = select.value !== "type";
        if (select.value === "type") { entry.value = ""; entry.focus(); }
        else if (select.value !== "other") set(spec.key, Number(select.value));
      });
      parts.set(spec.key, { spec, row, show(value) {
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
        radio.addEventListener("change", () => set(spec.key, index));
        box.append(make("span", {}, radio, make("label", { for: `${id}-${index}` }, text)));
      });
      set_.append(box);
      parts.set(spec.key, { spec, row: set_, show(value) {
        box.querySelectorAll("input").forEach((radio, index) => { radio.checked = index === value.index; });
      } });
      return set_;
    }
    function show(key) {
      const part = parts.get(key), value = model.get("values")[key];
      if (!part || !value) return;
      part.show(value);
      const error = part.row.querySelector(".lab-error");
      if (error.textContent !== value.error) error.textContent = value.error;
    }
    function showAll() { for (const key of parts.keys()) show(key); }
    function build() {
      const focused = el.contains(document.activeElement) ? document.activeElement.id : "";
      el.replaceChildren();
      parts.clear();
      model.get("groups").forEach((group, place) => {
        const box = make("section", { class: "lab-group", "aria-labelledby": `${unique}-${place}` }, make("h2", { id: `${unique}-${place}` }, group.title));
        for (const spec of group.controls) {
          const id = `${unique}-${spec.key}`.replace(/[^\w-]/g, "_");
          const row = { slider, choice, switch: positions }[spec.kind](spec, id);
          row.append(make("p", { class: "lab-error", id: `${id}-error`, role: "alert" }));
          row.dataset.key = spec.key;
          box.append(row);
        }
        if (group.note) box.append(make("p", { class: "lab-note" }, group.note));
        el.append(box);
      });
      showAll();
      if (focused) document.getElementById(focused)?.focus();
    }
    const answered = () => { clearTimeout(waiting); waiting = null; flush(); };
    model.on("change:groups", build);
    model.on("change:values", showAll);
    model.on("msg:custom", (message) => { if (message.answered) answered(); });
    build();
  },
};
