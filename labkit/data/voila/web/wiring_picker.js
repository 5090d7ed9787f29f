// Wirings as cards, grouped and filtered by what is in the guitar; the small curves of cards in view are asked for.
// One card is a tab stop and the arrow keys move between cards; Enter or Space chooses.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-wirings");
    const FILTERS = [
      { key: "pickups", title: "Pickups", of: (wiring) => [wiring.pickups], name: (value) => `${value}` },
      { key: "coils", title: "Coils", of: (wiring) => [wiring.coils], name: (value) => `${value}` },
      { key: "knobs", title: "Knobs", of: (wiring) => [wiring.knobs], name: (value) => `${value}` },
      { key: "stops", title: "Switch", of: (wiring) => (wiring.stops.length ? wiring.stops : [0]), name: (value) => (value ? `${value}-way` : "none") },
      { key: "kinds", title: "Kind of switch", of: (wiring) => wiring.kinds, name: (value) => value },
    ];
    const TAGS = [["splits", "splits a two-coil"], ["cancels", "cancels hum"], ["battery", "has a battery"]];
    const unique = Math.random().toString(36).slice(2, 8);
    const wanted = new Map(), tagged = new Set(); // what the filters ask for
    const drawn = new Map(), queue = new Set(); // small curves by name, and names still to be asked for
    let waiting = null, current = "";

    function make(tag, attributes = {}, ...children) {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    }
    const filters = make("div", { class: "lab-filters" });
    const count = make("p", { class: "lab-note", role: "status" });
    const cards = make("div", { class: "lab-cards" });
    let heading = null;
    if (model.get("is_fold")) {
      const fold = make("details", {}, (heading = make("summary", {})), filters, count, cards);
      fold.addEventListener("toggle", () => { if (fold.open && !model.get("wirings").length) model.send({ do: "open" }); });
      el.append(fold);
    } else el.append(filters, count, cards);

    function buildFilters() {
      filters.replaceChildren();
      for (const filter of FILTERS) {
        const values = [...new Set(model.get("wirings").flatMap(filter.of))].sort((a, b) => (a > b) - (a < b));
        const set = make("fieldset", { class: "lab-switch" }, make("legend", {}, filter.title)), box = make("div", { class: "lab-segments" });
        for (const value of ["", ...values]) {
          const id = `${unique}-${filter.key}-${value}`;
          const radio = make("input", { type: "radio", name: `${unique}-${filter.key}`, id, value });
          radio.checked = (wanted.get(filter.key) ?? "") === value;
          radio.addEventListener("change", () => { value === "" ? wanted.delete(filter.key) : wanted.set(filter.key, value); show(); });
          box.append(make("span", {}, radio, make("label", { for: id }, value === "" ? "any" : filter.name(value))));
        }
        set.append(box);
        filters.append(set);
      }
      const chips = make("div", { class: "lab-chips", role: "group", "aria-label": "Also" });
      for (const [key, words] of TAGS) {
        const chip = make("button", { type: "button", class: "lab-chip", "aria-pressed": String(tagged.has(key)) }, words);
        chip.addEventListener("click", () => { tagged.has(key) ? tagged.delete(key) : tagged.add(key); chip.setAttribute("aria-pressed", String(tagged.has(key))); show(); });
        chips.append(chip);
      }
      filters.append(chips);
    }
    const fits = (wiring, left = "") =>
      FILTERS.every((filter) => filter.key === left || !wanted.has(filter.key) || filter.of(wiring).includes(wanted.get(filter.key)))
      && [...tagged].every((tag) => tag === left || wiring.has.includes(tag));

    function card(wiring) {
      const button = make("button", { type: "button", class: "lab-card", "data-name": wiring.name, "aria-pressed": String(wiring.name === model.get("chosen")) });
      button.innerHTML = wiring.face; // made by labkit.view.drawings.faceplate, which escapes every word
      button.append(make("strong", {}, wiring.name), make("span", {}, wiring.does), make("span", { class: "lab-spark-place" }));
      button.addEventListener("click", () => { focusable(button); model.send({ do: "choose", name: wiring.name }); });
      return button;
    }
    const all = () => [...cards.querySelectorAll(".lab-card")];
    function focusable(button) {
      current = button.dataset.name;
      for (const other of all()) other.tabIndex = other === button ? 0 : -1;
    }
    cards.addEventListener("keydown", (event) => {
      const list = all(), at = list.indexOf(document.activeElement);
      const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      const to = event.key === "Home" ? 0 : event.key === "End" ? list.length - 1 : step ? (at + step + list.length) % list.length : -1;
      if (at < 0 || to < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      focusable(list[to]);
      list[to].focus();
    });

    function show() {
      const every = model.get("wirings"), shown = every.filter((wiring) => fits(wiring)), active = cards.contains(document.activeElement);
      count.textContent = !every.length ? "" : shown.length === every.length ? `${every.length} wirings` : `${shown.length} of ${every.length} fit`;
      watch.disconnect();
      cards.replaceChildren();
      let group = "";
      for (const wiring of shown) {
        if (wiring.group !== group) cards.append(make("h2", {}, (group = wiring.group)));
        const made = card(wiring);
        cards.append(made);
        watch.observe(made);
      }
      if (!shown.length && every.length) cards.append(nothing(every));
      const list = all();
      const first = list.find((each) => each.dataset.name === current) ?? list.find((each) => each.dataset.name === model.get("chosen")) ?? list[0];
      if (first) focusable(first);
      if (active) first?.focus();
      for (const each of list) put(each);
    }
    // what to let go of: every filter without which something would fit
    function nothing(every) {
      const box = make("div", { class: "lab-none" }, make("p", {}, "Nothing has all of that. Let go of:"));
      const words = [...FILTERS.filter((filter) => wanted.has(filter.key)).map((filter) => [filter.key, `${filter.title.toLowerCase()}: ${filter.name(wanted.get(filter.key))}`]), ...TAGS.filter(([key]) => tagged.has(key))];
      for (const [key, text] of [...words, ["", "all filters"]]) {
        if (key && !every.some((wiring) => fits(wiring, key))) continue;
        const button = make("button", { type: "button" }, text);
        button.addEventListener("click", () => {
          if (key) { wanted.delete(key); tagged.delete(key); } else { wanted.clear(); tagged.clear(); }
          buildFilters();
          show();
          filters.querySelector("input:checked")?.focus();
        });
        box.append(button);
      }
      return box;
    }
    function choose() { if (heading) heading.textContent = `Wiring: ${model.get("chosen")}`; for (const each of all()) each.setAttribute("aria-pressed", String(each.dataset.name === model.get("chosen"))); }

    // small curves: of cards in view, some at a time, one question on its way
    const watch = new IntersectionObserver((entries) => {
      for (const { target, isIntersecting } of entries) {
        const name = target.dataset.name;
        if (isIntersecting && !drawn.has(name)) queue.add(name); else if (!isIntersecting) queue.delete(name);
      }
      ask();
    }, { rootMargin: "120px" });
    function ask() {
      if (waiting !== null || queue.size === 0) return;
      const names = [...queue].slice(0, 6);
      for (const name of names) queue.delete(name);
      waiting = setTimeout(() => { waiting = null; ask(); }, 5000); // an answer that never comes
      model.send({ do: "curves", names });
    }
    function put(each) {
      const place = each.querySelector(".lab-spark-place");
      place.innerHTML = drawn.get(each.dataset.name) ?? ""; // made by labkit.app.kit.rig.wirings, which escapes every word
    }
    model.on("msg:custom", (message) => {
      if (!message.curves) return;
      clearTimeout(waiting);
      waiting = null;
      if (message.stamp === model.get("stamp")) for (const [name, drawing] of Object.entries(message.curves)) drawn.set(name, drawing);
      for (const each of all()) if (message.curves[each.dataset.name] !== undefined) put(each);
      ask();
    });
    function redraw() {
      drawn.clear();
      queue.clear();
      for (const each of all()) { watch.unobserve(each); watch.observe(each); } // what is in view is reported anew
    }
    const rebuild = () => { buildFilters(); show(); choose(); };
    model.on("change:wirings", rebuild);
    model.on("change:chosen", choose);
    model.on("change:stamp", redraw);
    rebuild();
    return () => watch.disconnect();
  },
};
