// A rig as one sentence. A word is a button that opens its control in a small dialog under it; Escape closes the dialog
// and gives the focus back. Below stand the answer and things to try. Python owns every value; one change is on its way.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-sentence-of-rig");
    const unique = Math.random().toString(36).slice(2, 8);
    const pending = new Map(); // key -> change not yet sent
    let waiting = null, open = null; // open: { key, dialog, show }
    const inLab = document.body.dataset.voila !== undefined;

    function make(tag, attributes = {}, ...children) {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    }
    const said = make("p", { class: "lab-say" }), answer = make("p", { class: "lab-found", role: "status" });
    const suggestions = make("div", { class: "lab-suggestions", role: "group", "aria-label": "Try" });
    el.append(said, make("div", {}, answer, suggestions));

    function flush() {
      if (waiting !== null || pending.size === 0 || (inLab && model.get("holds"))) return;
      const [key, change] = pending.entries().next().value;
      pending.delete(key);
      waiting = setTimeout(() => { waiting = null; flush(); }, 1500); // an answer that never comes must not lock the sentence
      model.send(change);
    }
    function send(key, change) { pending.set(key, change); flush(); }
    const spec = (key) => model.get("groups").flatMap((group) => group.controls).find((control) => control.key === key);

    function showWords() {
      const words = model.get("words");
      const buttons = [...said.querySelectorAll("button")];
      // the same words in the same places keep their buttons, and with them focus and dialog
      if (said.dataset.keys === words.map((word) => word.key).join("|")) {
        [...said.childNodes].forEach((node, index) => { if (node.textContent !== words[index].text) node.textContent = words[index].text; });
      } else {
        const focused = buttons.find((button) => button === document.activeElement)?.dataset.key;
        close(false);
        said.replaceChildren(...words.map((word) => (word.key ? wordButton(word) : document.createTextNode(word.text))));
        said.dataset.keys = words.map((word) => word.key).join("|");
        if (focused) said.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus();
      }
      if (open) place();
    }
    function wordButton(word) {
      const button = make("button", { type: "button", class: "lab-word", "data-key": word.key, "aria-haspopup": "dialog", "aria-expanded": "false" }, word.text);
      button.addEventListener("click", () => { const was = open?.key; close(false); if (was !== word.key) show(word.key, button); });
      return button;
    }

    function show(key, button) {
      const control = spec(key);
      if (!control) return;
      const dialog = make("div", { class: "lab-pop", role: "dialog", "aria-label": control.label, "data-key": key });
      const error = make("p", { class: "lab-error", role: "alert" });
      const parts = control.kind === "slider" ? slider(control) : choice(control);
      dialog.append(...parts.nodes, error);
      el.append(dialog);
      button.setAttribute("aria-expanded", "true");
      open = { key, dialog, button, show(value) { error.textContent = value.error; if (!pending.has(key)) parts.put(value); } };
      open.show(model.get("values")[key]);
      place();
      parts.focus();
    }
    function slider(control) {
      const id = `${unique}-range`, range = make("input", { type: "range", id, min: 0, max: control.texts.length - 1, step: 1 });
      const value = typed(control);
      const put = (index, text) => { range.value = index; range.setAttribute("aria-valuetext", text); range.style.setProperty("--part", index / (control.texts.length - 1)); if (document.activeElement !== value) value.value = text; };
      range.addEventListener("input", () => { put(Number(range.value), control.texts[range.value]); send(control.key, { do: "set", key: control.key, index: Number(range.value) }); });
      return { nodes: [make("div", { class: "lab-row lab-row-slider" }, make("label", { for: id }, control.label), value, range)], put: (shown) => put(shown.index, shown.text), focus: () => range.focus() };
    }
    function choice(control) {
      const name = `${unique}-choice`, list = make("div", { class: "lab-options", role: "radiogroup", "aria-label": control.label });
      control.texts.forEach((text, index) => {
        const radio = make("input", { type: "radio", name, value: index });
        radio.addEventListener("change", () => send(control.key, { do: "set", key: control.key, index }));
        list.append(make("label", {}, radio, ` ${text}`));
      });
      const radios = [...list.querySelectorAll("input")], nodes = [list];
      const value = control.typed ? typed(control) : null;
      if (value) nodes.push(make("div", { class: "lab-row" }, make("span", {}, "another"), value));
      return { nodes, put: (shown) => { radios.forEach((radio, index) => { radio.checked = index === shown.index; }); if (value && document.activeElement !== value) value.value = shown.text; }, focus: () => (radios.find((radio) => radio.checked) ?? radios[0]).focus() };
    }
    function typed(control) {
      const entry = make("input", { type: "text", class: "lab-readout", "aria-label": `${control.label}, type a value`, autocomplete: "off", spellcheck: "false" });
      let draft = false;
      const enter = () => { if (draft) { draft = false; send(control.key, { do: "type", key: control.key, text: entry.value.slice(0, 60) }); } };
      entry.addEventListener("focus", () => entry.select());
      entry.addEventListener("input", () => { draft = true; });
      for (const event of ["change", "blur"]) entry.addEventListener(event, enter);
      return entry;
    }
    // under its word; on a phone the style sheet keeps it above the foot of the window, so that the curve stays in view
    function place() {
      const word = open.button.getBoundingClientRect(), own = el.getBoundingClientRect();
      open.dialog.style.left = `${Math.max(0, Math.min(own.width - open.dialog.offsetWidth, word.left - own.left))}px`;
      open.dialog.style.top = `${word.bottom - own.top + 6}px`;
    }
    function close(back = true) {
      if (!open) return;
      const { dialog, button } = open;
      open = null;
      dialog.remove();
      button.setAttribute("aria-expanded", "false");
      if (back) button.focus();
    }
    const leave = (event) => { if (open && !open.dialog.contains(event.target) && !event.target.closest?.(".lab-word")) close(false); };
    const escape = (event) => { if (event.key === "Escape" && open) { event.preventDefault(); event.stopPropagation(); close(); } };
    document.addEventListener("pointerdown", leave);
    el.addEventListener("keydown", escape);
    el.addEventListener("focusout", (event) => { if (open?.dialog.contains(event.target) && event.relatedTarget && !open.dialog.contains(event.relatedTarget)) close(false); });

    function showAnswer() { if (answer.innerHTML !== model.get("answer")) answer.innerHTML = model.get("answer"); } // made by labkit.app.kit.text from numbers alone
    function showSuggestions() {
      const shown = model.get("suggestions"), old = [...suggestions.querySelectorAll("button")];
      if (old.length !== shown.length || old.some((button, index) => button.textContent !== shown[index].text)) {
        const at = old.indexOf(document.activeElement);
        suggestions.replaceChildren(make("span", { class: "lab-note" }, "Try"), ...shown.map((suggestion, index) => {
          const button = make("button", { type: "button", class: "lab-chip" }, suggestion.text);
          button.addEventListener("click", () => send("try", { do: "try", index }));
          return button;
        }));
        if (at >= 0) suggestions.querySelectorAll("button")[Math.min(at, shown.length - 1)]?.focus();
      }
      suggestions.querySelectorAll("button").forEach((button, index) => button.setAttribute("aria-pressed", String(shown[index].stands)));
    }
    model.on("change:words", showWords);
    model.on("change:answer", showAnswer);
    model.on("change:suggestions", showSuggestions);
    model.on("change:values", () => { if (open) open.show(model.get("values")[open.key]); });
    model.on("change:holds", flush);
    model.on("msg:custom", (message) => { if (message.answered) { clearTimeout(waiting); waiting = null; flush(); } });
    showWords();
    showAnswer();
    showSuggestions();
    return () => document.removeEventListener("pointerdown", leave);
  },
};
