// The page around the widgets: light or dark, menu, travelling state, live region, lost connection, ended kernel, and the accessible
// names and states that stock widgets lack.
(() => {
  const ready = (work) => (document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", work) : work());

  // The line to the kernel: what was on its way when a socket dropped is sent again over the next one of its session, both
  // ways. Both ends count whole messages; a message of digits alone says how many have come (`PageLine` in the server).
  const SAID_EVERY = 32, SAID_BYTES = 2 ** 20, LOST_CODE = 4410, lines = new Map();
  window.WebSocket = class extends WebSocket {
    constructor(address, protocols = []) {
      const at = new URL(address, location.href), session = at.pathname.endsWith("/channels") ? at.searchParams.get("session_id") : null;
      if (session && !lines.has(session)) lines.set(session, { socket: null, received: 0, unsaid: 0, bytes: 0, sent: 0, kept: [] });
      const line = lines.get(session) ?? null;
      if (line) at.searchParams.set("received", line.received);
      super(at.href, protocols);
      this.line = line;
      if (!line) return;
      line.socket = this;
      this.addEventListener("message", (event) => {
        if (line.socket !== this) return event.stopImmediatePropagation(); // comes again over the newer socket
        if (typeof event.data === "string") {
          event.stopImmediatePropagation();
          line.kept.splice(0, line.kept.length - (line.sent - Number(event.data)));
          if (!this.isTaken) for (const data of line.kept) super.send(data);
          this.isTaken = true;
          return;
        }
        line.received += 1;
        line.unsaid += 1;
        line.bytes += event.data.byteLength ?? event.data.size;
        if (line.unsaid < SAID_EVERY && line.bytes < SAID_BYTES) return;
        line.unsaid = line.bytes = 0;
        super.send(String(line.received));
      });
      this.addEventListener("close", (event) => { if (event.code === LOST_CODE) document.dispatchEvent(new Event("lab-lost")); });
    }
    send(data) {
      if (!this.line) return super.send(data);
      this.line.sent += 1;
      this.line.kept.push(data);
      if (this.isTaken) super.send(data); // else with the rest, when the lab has said what it has
    }
  };

  // what the library does by scripts in the page itself, which the content policy does not let run: show the cells
  window.labWhole = new Promise(ready); // the library shows its widgets then (`EARLY` in the server)
  window.themeLoaded = true;
  window.voila_finish = () => {
    document.getElementById("loading")?.remove();
    document.getElementById("rendered_cells")?.style.removeProperty("display");
  };
  ready(window.voila_finish);

  // Light or dark: the browser's wish until somebody chooses; set before the page is drawn, kept in this browser.
  const KEPT_SCHEME = "labkit.scheme", root = document.documentElement, wish = matchMedia("(prefers-color-scheme: dark)");
  const kept = () => { try { return localStorage.getItem(KEPT_SCHEME); } catch { return null; } };
  if (["light", "dark"].includes(kept())) root.dataset.scheme = kept();
  try { if (localStorage.getItem("labkit.band") === "off") root.dataset.band = "off"; } catch { /* likewise */ } // for the first picture
  function scheme() {
    const button = document.querySelector(".lab-scheme");
    if (!button) return;
    const isDark = () => (root.dataset.scheme ? root.dataset.scheme === "dark" : wish.matches);
    const name = () => { button.textContent = isDark() ? "Light" : "Dark"; };
    button.addEventListener("click", () => {
      root.dataset.scheme = isDark() ? "light" : "dark";
      try { localStorage.setItem(KEPT_SCHEME, root.dataset.scheme); } catch { /* a browser that keeps nothing */ }
      name();
    });
    wish.addEventListener("change", name);
    name();
    button.hidden = false;
  }

  function menu() {
    document.documentElement.classList.add("lab-scripted");
    const button = document.querySelector(".lab-menu"), nav = document.querySelector(".lab-header nav");
    if (!button || !nav) return;
    const open = (wanted) => { nav.classList.toggle("lab-open", wanted); button.setAttribute("aria-expanded", String(wanted)); };
    button.addEventListener("click", () => open(!nav.classList.contains("lab-open")));
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && nav.classList.contains("lab-open")) { open(false); button.focus(); }
    });
    // pages that one notebook shows are told apart by the address alone
    for (const link of nav.querySelectorAll("a:not([data-travels])")) if (link.search && link.href === location.href) link.setAttribute("aria-current", "page");
    // the present rig travels along: its state is in the address; what only this page knows (own.NAME) stays behind
    nav.addEventListener("click", (event) => {
      const link = event.target.closest("a[data-travels]");
      if (!link) return;
      const kept = location.search.slice(1).split("&").filter((field) => field && !field.startsWith("own.") && !field.startsWith("token="));
      link.search = kept.length ? `?${kept.join("&")}` : "";
    });
  }

  // One polite live region: what carries data-announce is read out 800 ms after its last change.
  function announce() {
    const region = document.getElementById("lab-live");
    let timer = 0, before = null;
    new MutationObserver(() => {
      const text = [...document.querySelectorAll("[data-announce]")].map((node) => node.dataset.announce).join(" ");
      if (text === before) return;
      const first = before === null || before === "";
      before = text;
      if (first) return;
      clearTimeout(timer);
      timer = setTimeout(() => { region.textContent = text; }, 800);
    }).observe(document.body, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-announce"] });
  }

  // Whether this page still has its kernel. A lost connection is tried again and its message goes by itself; a kernel
  // that has ended leaves the page's last picture, and “Go on” opens the page anew from the state in its address.
  const OFTEN_MS = 2500, SELDOM_MS = 8000, ANSWER_MS = 5000, SOCKET_MS = 10000, GRACE_MS = 1000;
  const LOST = "Connection to the lab lost, trying again. Your settings are kept.";
  const ENDED = "The calculation behind this page has stopped; what you see is its last picture. Your settings are kept.";
  const UNDONE = "Not finished: the calculation behind this page has stopped.";
  const FILES = " Files that you opened here have to be opened again.";
  const LOCAL = "[data-local], [data-local] *"; // what works without a kernel: a sound that plays must be stoppable

  function connection() {
    const banner = document.querySelector(".lab-banner");
    const { kernelId, baseUrl } = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
    if (!banner || !kernelId) return;
    const [status, alert] = banner.querySelectorAll("p"), go = banner.querySelector("button");
    let kernel = null, state = "well", missed = 0, timer = 0, grace = 0, tried = -SOCKET_MS, asking = false;

    function show(next) {
      if (state === next || state === "ended") return;
      const before = state;
      state = document.documentElement.dataset.labConnection = next;
      banner.hidden = next === "well";
      go.hidden = next !== "ended";
      status.textContent = next === "lost" ? LOST : "";
      alert.textContent = next !== "ended" ? "" : document.documentElement.dataset.labUnkept !== undefined ? ENDED + FILES : ENDED;
      if (next === "well" && before === "lost") document.getElementById("lab-live").textContent = "Connected again.";
      if (next === "ended") freeze();
    }
    // the picture stays and can be read; what would ask the kernel cannot be used
    function freeze() {
      document.dispatchEvent(new Event("lab-ended"));
      for (const said of document.querySelectorAll("#rendered_cells [role=status]")) if (said.textContent.includes("…")) said.textContent = UNDONE;
      const focused = document.activeElement;
      for (const control of document.querySelectorAll("#rendered_cells :is(button, input, select, textarea)")) if (!control.matches(LOCAL)) control.disabled = true;
      for (const field of document.querySelectorAll("#rendered_cells [contenteditable=true]")) field.contentEditable = "false";
      if (focused?.disabled) banner.focus();
    }
    async function answer(path = `api/kernels/${kernelId}`) {
      try {
        return (await fetch(baseUrl + path, { cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) })).status;
      } catch { return 0; } // the server is away, or the machine is waking up
    }
    const isOpen = () => kernel === null || kernel.connectionStatus === "connected";
    function reconnect() {
      // the library tries with longer and longer pauses and then gives up for good; a socket that is being opened gets its time
      if (isOpen() || performance.now() - tried < SOCKET_MS) return;
      tried = performance.now();
      kernel.reconnect().catch(() => {});
    }
    async function ask() {
      if (state === "ended" || asking || (document.hidden && state === "well")) return plan();
      asking = true;
      const code = await answer();
      asking = false;
      missed = code >= 200 && code < 300 ? 0 : missed + 1;
      if ([401, 403, 404].includes(code)) show("ended"); // another server, or one that has closed this kernel
      else if (missed > 1 || !navigator.onLine) show("lost");
      else if (!missed && isOpen()) show("well");
      else if (!missed) reconnect();
      plan();
    }
    function plan(wait = state === "well" && !missed ? SELDOM_MS : OFTEN_MS) {
      clearTimeout(timer);
      if (state !== "ended") timer = setTimeout(ask, wait);
    }
    function socketChanged() {
      clearTimeout(grace);
      if (!isOpen()) grace = setTimeout(() => { if (!isOpen()) { show("lost"); plan(0); } }, GRACE_MS);
      else plan(0);
    }
    function attach() {
      kernel = window.jupyterapp?.widgetManager?.kernel ?? null;
      if (!kernel) return setTimeout(attach, 300);
      const look = () => { if (["dead", "restarting", "autorestarting"].includes(kernel.status)) show("ended"); };
      kernel.connectionStatusChanged.connect(socketChanged);
      kernel.statusChanged.connect(look);
      look();
      socketChanged();
    }
    go.addEventListener("click", async () => {
      go.disabled = true;
      if (await answer("labkit/web/mark.svg")) return location.reload(); // the address holds the state
      go.disabled = false;
      alert.textContent = "The lab does not answer yet. What you see and your settings are kept; try again in a moment.";
    });
    document.addEventListener("lab-lost", () => show("ended"));
    window.addEventListener("offline", () => { show("lost"); plan(); });
    window.addEventListener("online", () => plan(0));
    document.addEventListener("visibilitychange", () => plan(0));
    document.documentElement.dataset.labConnection = state;
    attach();
    plan();
  }

  // The curve that the server drew into the page lies over the kernel's until the kernel has read the address and drawn
  // the same. Where it stood goes into a cookie of this page, for the next time that the page is asked for.
  const MAIN = ".lab-page .lab-curve-holder", LATE_MS = 10000, REDRAWN_MS = 2000, SETTLED_MS = 500;
  function firstCurve() {
    const first = document.getElementById("lab-first");
    const drawn = () => document.querySelector(`${MAIN} svg`);
    function keep() {
      const svg = drawn(), holder = svg?.closest(MAIN);
      if (!holder?.clientWidth || scrollY) return;
      const { left, top } = svg.getBoundingClientRect();
      const frame = [innerWidth, left, top, holder.clientWidth, Number(holder.dataset.tall ?? 0)].map(Math.round).join(".");
      document.cookie = `labkit-curve=${frame}; path=${location.pathname}; max-age=31536000; samesite=strict`;
    }
    let seen = 0, opened = 0;
    document.addEventListener("lab-opened", () => { opened ||= performance.now(); setTimeout(keep, SETTLED_MS); });
    function follow(now) {
      const svg = drawn();
      if (opened && svg?.getClientRects().length) { // before that, what stands over the curve is still growing
        const { left, top } = svg.getBoundingClientRect();
        Object.assign(first.style, { left: `${left + scrollX}px`, top: `${top + scrollY}px` });
      }
      if (document.querySelector(".lab-page")) seen ||= now;
      const isSame = opened && svg && Number(svg.getAttribute("width")) === svg.closest(MAIN).clientWidth;
      const isLate = (opened && now - opened > REDRAWN_MS) || (seen && now - seen > LATE_MS);
      if (isSame || isLate || state() === "ended" || document.querySelector(".lab-fault")) first.remove();
      else requestAnimationFrame(follow);
    }
    const state = () => root.dataset.labConnection;
    if (first) requestAnimationFrame(follow);
    window.addEventListener("pagehide", keep);
  }

  // The library tells the lab when a page is left, once it has its widgets; before that this does.
  function leaving() {
    const { kernelId, baseUrl } = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
    if (!kernelId || window.jupyterapp?.widgetManager?.kernel) return;
    const form = new FormData();
    form.append("_xsrf", document.cookie.match("\\b_xsrf=([^;]*)\\b")?.[1] ?? "");
    navigator.sendBeacon(`${baseUrl}voila/api/shutdown/${kernelId}`, form);
  }
  window.addEventListener("beforeunload", leaving);

  // On leaving, the library ends its line to the kernel; what still waited on that line then fails, and nobody is there to care.
  const PARTING = ["Kernel connection is disposed", "Cannot send"];
  let isLeft = false;
  for (const name of ["beforeunload", "pagehide"]) window.addEventListener(name, () => { isLeft = true; });
  const { error } = console;
  console.error = (...words) => { if (!isLeft || !words.some((word) => PARTING.includes(word?.message))) error.apply(console, words); };
  window.addEventListener("unhandledrejection", (event) => {
    if (isLeft && PARTING.includes(event.reason?.message)) event.preventDefault();
  });

  // Faults of the stock widgets, mended where they appear. Every rule only adds what is missing.
  const put = (node, name, value) => { if (value && node.getAttribute(name) !== value) node.setAttribute(name, value); };
  const OWN = ".widget-slider, .widget-hslider, .widget-vslider, .widget-inline-hbox, .widget-inline-vbox, .jupyter-widgets";
  const labelOf = (node) => node.closest(OWN)?.querySelector(".widget-label, .jupyter-widget-label, label")?.textContent.trim() ?? "";
  const rules = {
    ".noUi-handle": (handle) => {
      const box = handle.closest(OWN);
      const which = handle.classList.contains("noUi-handle-upper") ? ", upper end" : box?.querySelector(".noUi-handle-upper") ? ", lower end" : "";
      put(handle, "aria-label", (labelOf(handle) || "Value") + which);
      put(handle, "aria-valuetext", box?.querySelector(".widget-readout")?.textContent.trim()); // log and selection sliders announce the exponent otherwise
    },
    ".widget-readout[contenteditable=true]": (readout) => { put(readout, "role", "textbox"); put(readout, "aria-label", `${labelOf(readout) || "Value"}, type a value`); },
    ".widget-toggle-buttons": (group) => { put(group, "role", "group"); put(group, "aria-label", labelOf(group) || "Choice"); },
    ".widget-toggle-button, .widget-toggle-buttons button": (button) => put(button, "aria-pressed", String(button.classList.contains("mod-active"))),
    ".widget-radio-box": (box) => { put(box, "role", "radiogroup"); put(box, "aria-label", labelOf(box) || "Choice"); },
    ".jupyter-widgets button:not([aria-label])": (button) => { if (!button.textContent.trim()) put(button, "aria-label", button.title && button.title !== "null" ? button.title : "Button"); },
    ".jupyter-widgets input:not([aria-label]), .jupyter-widgets select:not([aria-label]), .jupyter-widgets textarea:not([aria-label])": (field) => {
      if (field.closest(".lab-widget") || field.labels?.length) return;
      put(field, "aria-label", labelOf(field) || field.placeholder || "Value");
    },
    "[title='null'], [title='']": (node) => node.removeAttribute("title"),
    "audio:not([aria-label])": (player) => put(player, "aria-label", "Sound"),
    ".progress, .widget-progress .progress": (bar) => {
      put(bar, "role", "progressbar");
      put(bar, "aria-label", labelOf(bar) || "Progress");
      put(bar, "aria-valuenow", String(Math.round(parseFloat(bar.querySelector(".progress-bar")?.style.width) || 0)));
    },
    ".lab-questions": (questions) => { // the library moves the cells to the end of the page
      const cells = document.querySelector("#main #rendered_cells");
      if (cells && questions.parentNode !== cells) cells.append(questions);
    },
    "#rendered_cells pre": (text) => {
      if (text.textContent.startsWith("There was an error when executing cell"))
        text.replaceWith(Object.assign(document.createElement("p"), { className: "lab-fault", textContent: "This page could not start. Stop the lab and start it with “labkit open --debug” to see why." }));
    },
    ".lm-TabBar-tab": (tab) => put(tab, "title", tab.querySelector(".lm-TabBar-tabLabel")?.textContent.trim()),
  };
  function mend() {
    let planned = false;
    const pass = () => {
      planned = false;
      for (const [selector, rule] of Object.entries(rules)) document.querySelectorAll(selector).forEach(rule);
    };
    const plan = () => { if (!planned) { planned = true; setTimeout(pass, 60); } };
    new MutationObserver((records) => {
      // the lab's own widgets name themselves: redrawing a curve must not cost a pass over the page
      if (records.some((record) => !(record.target.closest ?? (() => null)).call(record.target, ".lab-widget"))) plan();
    }).observe(document.body, { subtree: true, childList: true, characterData: true, attributes: true, attributeFilter: ["class", "style", "title", "aria-valuenow"] });
    pass();
  }

  // A number and its unit stay on one line, whoever wrote them: the space between becomes one that does not break.
  const BEFORE_UNIT = /(\d) (?=(?:[pnµmkMG]?(?:Ω|F|H|Hz|V|W|T|s)|[mcµnk]?m|mA|dB|LU|ppm|°C)(?![\p{L}\d])|%|\d{3}(?!\d))|(±) (?=\d)/gu;
  const AS_WRITTEN = "svg, pre, option, textarea, script, style, [contenteditable=true]";
  function holdTogether() {
    const held = (text) => {
      const joined = text.data.replace(BEFORE_UNIT, "$1$2\u00a0");
      if (joined !== text.data && !text.parentElement?.closest(AS_WRITTEN)) text.data = joined;
    };
    const within = (node) => {
      if (node.nodeType === Node.TEXT_NODE) return held(node);
      if (node.nodeType !== Node.ELEMENT_NODE || node.matches(AS_WRITTEN)) return;
      const walker = document.createTreeWalker(node, NodeFilter.SHOW_TEXT);
      while (walker.nextNode()) held(walker.currentNode);
    };
    new MutationObserver((records) => {
      for (const record of records) if (record.type === "characterData") held(record.target); else record.addedNodes.forEach(within);
    }).observe(document.body, { subtree: true, childList: true, characterData: true });
    within(document.body);
  }

  ready(() => { scheme(); menu(); announce(); connection(); firstCurve(); mend(); holdTogether(); });
})();
