// The page around the widgets: menu, travelling state, live region, dead kernel, and the accessible
// names and states that stock widgets lack.
(() => {
  const ready = (work) => (document.readyState === "loading" ? document.addEventListener("DOMContentLoaded", work) : work());

  // what the library does by scripts in the page itself, which the content policy does not let run: show the cells
  window.themeLoaded = true;
  window.voila_finish = () => {
    document.getElementById("loading")?.remove();
    document.getElementById("rendered_cells")?.style.removeProperty("display");
  };
  ready(window.voila_finish);

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

  function deadKernel() {
    const banner = document.querySelector(".lab-banner");
    if (!banner) return;
    banner.querySelector("button").addEventListener("click", () => location.reload());
    const look = () => { if (document.querySelector(".jupyter-widgets-disconnected")) banner.hidden = false; };
    // the widgets notice a lost kernel only after minutes of trying again: ask the server as well
    const { kernelId, baseUrl } = JSON.parse(document.getElementById("jupyter-config-data")?.textContent || "{}");
    let missed = 0;
    const ask = async () => {
      if (!kernelId || document.hidden || !banner.hidden) return;
      try {
        const answer = await fetch(`${baseUrl}api/kernels/${kernelId}`, { cache: "no-store" });
        missed = answer.status === 404 ? 2 : 0;
      } catch { missed += 1; } // the server itself is gone, or the machine is waking up
      if (missed > 1) banner.hidden = false;
    };
    setInterval(ask, 8000);
    document.addEventListener("visibilitychange", ask);
    new MutationObserver(look).observe(document.body, { subtree: true, childList: true, attributes: true, attributeFilter: ["class"] });
  }

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

  ready(() => { menu(); announce(); deadKernel(); mend(); });
})();
