// The client of a page without a server: its widgets are shown here, their messages go to Python in a worker.
(() => {
  const root = new URL("../..", document.currentScript.src).href, { page, packed, wheels, version } = document.documentElement.dataset;
  const start = `importScripts(${JSON.stringify(`${root}labkit/site/worker.js?v=${version}`)})`;
  // a worker of a blob stands under the content policy of its page; one of a file would stand under none
  const worker = new Worker(URL.createObjectURL(new Blob([start], { type: "text/javascript" })));
  worker.postMessage({ start: { root, page, query: location.search.slice(1), packed, wheels, version } });
  const whole = new Promise((done) => { document.addEventListener("DOMContentLoaded", done, { once: true }); });
  const models = new Map();

  // A widget's state as its script sees it; the names are those of the widget library.
  class Model {
    constructor(id, kind, state) { Object.assign(this, { id, kind, state, handlers: new Map(), unsaved: {}, widget_manager: null }); }
    get(name) { return this.state[name]; }
    set(name, value) {
      const changes = typeof name === "object" ? name : { [name]: value };
      for (const [each, one] of Object.entries(changes)) {
        if (this.state[each] === one) continue;
        this.state[each] = this.unsaved[each] = one;
        this.emit(`change:${each}`, this, one);
      }
    }
    save_changes() {
      const state = this.unsaved;
      this.unsaved = {};
      if (Object.keys(state).length) worker.postMessage({ text: JSON.stringify({ id: this.id, state }), buffers: [] });
    }
    send(content, _, buffers = []) {
      const bytes = buffers.map((each) => (each.buffer ? new Uint8Array(each.buffer, each.byteOffset, each.byteLength) : new Uint8Array(each)));
      worker.postMessage({ text: JSON.stringify({ id: this.id, content }), buffers: bytes });
    }
    on(names, handler) { for (const name of names.split(" ")) this.handlers.set(name, (this.handlers.get(name) ?? new Set()).add(handler)); }
    off(names, handler) { for (const name of (names ?? [...this.handlers.keys()].join(" ")).split(" ")) if (handler) this.handlers.get(name)?.delete(handler); else this.handlers.delete(name); }
    emit(name, ...given) { for (const handler of [...(this.handlers.get(name) ?? [])]) handler(...given); }
    update(state) {
      Object.assign(this.state, state);
      for (const name of Object.keys(state)) this.emit(`change:${name}`, this, state[name]);
      this.emit("change", this);
    }
  }

  const STOCK = { Box: "widget-box widget-hbox", VBox: "widget-box widget-vbox", HTML: "widget-html", Button: "jupyter-button widget-button", Textarea: "widget-textarea", Dropdown: "widget-dropdown" };
  async function view(model) {
    const el = document.createElement(model.kind === "Button" ? "button" : "div");
    let given = [];
    const classes = () => { el.classList.remove(...given); el.classList.add(...(given = model.get("classes"))); };
    const display = () => { el.style.display = model.get("display") ?? ""; };
    el.className = `jupyter-widgets ${STOCK[model.kind] ?? ""}`;
    classes();
    display();
    model.on("change:classes", classes);
    model.on("change:display", display);
    if (model.kind.endsWith("Box")) {
      const fill = async () => { el.replaceChildren(...await Promise.all(model.get("children").map((child) => view(models.get(child.slice(10)))))); };
      model.on("change:children", fill);
      await fill();
    } else if (model.kind === "HTML") {
      const inner = document.createElement("div");
      inner.className = "widget-html-content";
      const show = () => { inner.innerHTML = model.get("value"); }; // made by the lab's pages, which escape every name
      el.append(inner);
      model.on("change:value", show);
      show();
    } else if (model.kind === "Button") {
      const show = () => Object.assign(el, { textContent: model.get("description"), disabled: model.get("disabled"), title: model.get("tooltip") ?? "" });
      el.type = "button";
      model.on("change", show);
      show();
      el.addEventListener("click", () => model.send({ event: "click" }));
    } else if (model.kind === "Textarea" || model.kind === "Dropdown") {
      const label = document.createElement("label"), input = document.createElement(model.kind === "Textarea" ? "textarea" : "select");
      label.className = "widget-label";
      label.htmlFor = input.id = `stock-${model.id}`;
      label.textContent = model.get("description");
      if (model.kind === "Textarea") input.rows = model.get("rows") ?? 4;
      else input.append(...model.get("options").map((each) => new Option(each)));
      const show = () => { input.value = model.get("value"); };
      model.on("change:value", show);
      show();
      input.addEventListener("change", () => { model.set("value", input.value); model.save_changes(); });
      el.append(label, input);
    } else {
      const { default: widget } = await import(`${root}labkit/widgets/${model.kind}.js?v=${version}`);
      await widget.initialize?.({ model });
      await widget.render({ model, el });
    }
    return el;
  }

  async function opened(text) {
    const { root: outermost, widgets } = JSON.parse(text);
    for (const [id, { kind, state }] of Object.entries(widgets)) models.set(id, new Model(id, kind, state));
    await whole;
    const el = await view(models.get(outermost));
    document.querySelector(".lab-site-loading").replaceWith(el);
    keep();
  }
  function received(text, buffers) {
    let next = 0;
    for (const { id, state, content, buffers: count } of JSON.parse(text)) {
      const model = models.get(id);
      if (state) model?.update(state);
      else model?.emit("msg:custom", content, buffers.slice(next, next += count).map((each) => new DataView(each.buffer, each.byteOffset, each.byteLength)));
    }
  }
  async function failed(why) {
    await whole;
    console.error(why);
    const said = document.querySelector(".lab-site-loading") ?? document.querySelector(".lab-site-kept");
    said.setAttribute("role", "alert");
    said.textContent = "This page could not start in this browser. It needs WebAssembly and about 200 MB of memory; a current browser has both. Load the page again to try once more.";
  }
  worker.onmessage = ({ data }) => {
    if (data.opened) opened(data.opened).catch(failed);
    else if (data.failed) failed(data.failed);
    else received(data.messages, data.buffers);
  };
  worker.onerror = (event) => failed(event.message);

  // Kept in this browser, the pages open without a network.
  async function keep() {
    if (!navigator.serviceWorker) return;
    const kept = () => { document.querySelector(".lab-site-kept").textContent = "These pages are kept in this browser: they open without a network."; };
    try {
      const registered = await navigator.serviceWorker.register(`${root}service_worker.js`);
      if (registered.active) return kept();
      await navigator.serviceWorker.ready;
      kept();
    } catch (error) { console.warn("not kept for use without a network:", error.message); }
  }
  // The first curve in the page is that of the rig without changes. Of other addresses the pictures that this browser saw last
  // are kept. Both stand where the curve stood when this page was left last, until Python has drawn it.
  const KEPT_PICTURES = `labkit.pictures.${page}`, MOST_KEPT = 4;
  function pictures() {
    try { return JSON.parse(localStorage.getItem(KEPT_PICTURES)).filter((each) => each.version === version); } catch { return []; }
  }
  window.addEventListener("pagehide", () => {
    const svg = document.querySelector(".lab-page .lab-curve-holder svg"), address = location.search;
    if (!svg || !address) return;
    const others = pictures().filter((each) => each.address !== address).slice(0, MOST_KEPT - 1);
    try { localStorage.setItem(KEPT_PICTURES, JSON.stringify([{ version, address, window: innerWidth, svg: svg.outerHTML }, ...others])); } catch { /* a browser that keeps nothing */ }
  });
  whole.then(() => {
    const first = document.getElementById("lab-first"), frame = document.cookie.match(/labkit-curve=(\d+)\.(-?\d+)\.(-?\d+)\./);
    if (location.search) {
      const kept = pictures().find((each) => each.address === location.search && each.window === innerWidth);
      if (!kept) return first.remove();
      const inner = document.createElement("div");
      inner.attachShadow({ mode: "closed" }).innerHTML = kept.svg;
      first.append(inner); // in the place of the usual rig's
    }
    if (frame && Number(frame[1]) === innerWidth) Object.assign(first.style, { left: `${frame[2]}px`, top: `${frame[3]}px` });
  });
})();
