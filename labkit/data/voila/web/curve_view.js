// Shows the curve that Python draws and tells Python how wide and high it may be. While a slider is held, a thin line
// stays where the curve was: the axes never move, so its points stay right.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget");
    const holder = document.createElement("div");
    holder.className = "lab-curve-holder";
    const picture = document.createElement("div");
    holder.append(picture);
    el.append(holder);
    // the switch of the band, kept for all pages of the lab; "labkit.band" is read in page.js as well
    const KEPT_BAND = "labkit.band", inLab = document.body.dataset.voila !== undefined;
    const row = document.createElement("div"), label = document.createElement("label"), box = document.createElement("input"), words = document.createElement("span");
    row.className = "lab-band-row";
    box.type = "checkbox";
    label.append(box, "Band of tolerances");
    row.append(label, words);
    el.append(row);
    function showBand() {
      row.hidden = !model.get("band");
      box.checked = model.get("shows_band");
      words.textContent = box.checked ? model.get("band") : "";
    }
    function turnBand(isOn) {
      model.set("shows_band", isOn);
      model.save_changes();
    }
    box.addEventListener("change", () => {
      if (inLab) try { localStorage.setItem(KEPT_BAND, box.checked ? "on" : "off"); } catch { /* a browser that keeps nothing */ }
      turnBand(box.checked);
    });
    model.on("change:band change:shows_band", showBand);
    showBand();
    try { if (inLab && localStorage.getItem(KEPT_BAND) === "off" && model.get("shows_band")) turnBand(false); } catch { /* likewise */ }
    const refresh = attachCurveReader(holder);
    const wide = matchMedia("(min-width: 1640px) and (min-height: 800px)");
    let start = null; // the first curve's line when a slider was taken
    const present = () => [...picture.querySelectorAll("svg.lab-curve polyline")].at(-1);
    function draw() {
      picture.innerHTML = model.get("svg"); // made by labkit.view.curve.curve, which escapes every name
      const line = present();
      if (start && line && start.getAttribute("points") !== line.getAttribute("points")) line.parentNode.prepend(start);
      refresh();
    }
    function hold(event) {
      if (start || !event.target.matches?.(".lab-controls input[type=range]")) return;
      start = present()?.cloneNode() ?? null;
      for (const name of ["data-label", "stroke-dasharray", "stroke", "stroke-width"]) start?.removeAttribute(name);
      start?.setAttribute("class", "lab-ghost");
    }
    function release() {
      start?.remove();
      start = null;
    }
    const holds = ["pointerdown", "keydown"], releases = ["pointerup", "pointercancel", "keyup"];
    for (const name of holds) document.addEventListener(name, hold, true);
    for (const name of releases) document.addEventListener(name, release, true);
    const measure = () => {
      const width = Math.round(holder.clientWidth);
      const isTall = wide.matches && width > 700;
      holder.dataset.tall = Number(isTall);
      if (width < 200 || (width === model.get("width") && isTall === model.get("is_tall"))) return;
      model.set({ width, is_tall: isTall });
      model.save_changes();
    };
    model.on("change:svg", draw);
    draw();
    const watch = new ResizeObserver(() => requestAnimationFrame(measure));
    watch.observe(holder);
    wide.addEventListener("change", measure);
    return () => {
      watch.disconnect();
      wide.removeEventListener("change", measure);
      for (const name of holds) document.removeEventListener(name, hold, true);
      for (const name of releases) document.removeEventListener(name, release, true);
      model.off("change:svg", draw);
      model.off("change:band change:shows_band", showBand);
    };
  },
};
