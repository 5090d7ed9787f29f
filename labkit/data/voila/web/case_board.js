// Reference cases by model: replaced one model at a time, with what was folded open left open.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-board");
    const head = document.createElement("div");
    const work = document.createElement("div");
    work.className = "lab-work";
    work.innerHTML = `<progress aria-label="Cases run"></progress><span class="lab-note"></span>`;
    const bar = work.firstElementChild, said = work.lastElementChild;
    const list = document.createElement("div");
    const limits = document.createElement("div");
    el.append(head, work, list, limits);
    const shown = new Map(); // model name -> { html, node }

    // all HTML here is made by the page's Python, which escapes every text
    function showHead() { head.innerHTML = model.get("head"); }
    function showLimits() { limits.innerHTML = model.get("limits"); }
    function showProgress() {
      const { done = 0, total = 0, running = false } = model.get("progress");
      bar.max = total || 1;
      bar.value = done;
      said.textContent = running ? (total ? `Running: ${done} of ${total} cases` : "Reading the cases …") : total ? `${done} of ${total} cases have run` : "";
      bar.hidden = !running;
      el.dataset.state = running ? "running" : done && done === total ? "done" : "stopped";
      if (el.dataset.state === "done") el.dataset.announce = `${done} cases have run`; else delete el.dataset.announce;
    }
    function showModels() {
      const wanted = model.get("models"), names = new Set(wanted.map((each) => each.name));
      for (const [name, each] of shown) if (!names.has(name)) { each.node.remove(); shown.delete(name); }
      wanted.forEach((each, place) => {
        let known = shown.get(each.name);
        if (!known) {
          known = { html: null, node: document.createElement("section") };
          known.node.className = "lab-model";
          shown.set(each.name, known);
        }
        if (list.children[place] !== known.node) list.insertBefore(known.node, list.children[place] ?? null);
        if (known.html === each.html) return;
        const open = [...known.node.querySelectorAll("details[open]")].map((node) => node.dataset.id);
        const active = document.activeElement, focused = known.node.contains(active) ? active.closest("details")?.dataset.id : null;
        known.node.innerHTML = known.html = each.html;
        for (const id of open) { const node = known.node.querySelector(`details[data-id="${CSS.escape(id)}"]`); if (node) node.open = true; }
        if (focused) known.node.querySelector(`details[data-id="${CSS.escape(focused)}"] summary`)?.focus();
      });
    }
    model.on("change:head", showHead);
    model.on("change:limits", showLimits);
    model.on("change:progress", showProgress);
    model.on("change:models", showModels);
    showHead();
    showLimits();
    showProgress();
    showModels();
    model.send({ do: "ready" });
  },
};
