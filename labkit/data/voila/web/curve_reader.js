// Reads frequency, level and nearest note off a drawn curve, by pointer, tap or arrow keys.
// Needs only the SVG that labkit.view.curve.curve draws; pages, notebooks and reports share it.
function attachCurveReader(holder) {
  const NOTES = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
  const SVG = "http://www.w3.org/2000/svg";
  let place = null; // log frequency under the reader, kept when the drawing is replaced

  const output = document.createElement("output");
  output.className = "lab-reading";
  holder.append(output);

  const drawing = () => holder.querySelector("svg.lab-curve");
  const numbers = (svg, name) => svg.dataset[name].split(" ").map(Number);
  const noteName = (hz) => {
    const number = Math.round(69 + 12 * Math.log2(hz / 440));
    return NOTES[((number % 12) + 12) % 12] + (Math.floor(number / 12) - 1);
  };
  const spoken = (hz) => (hz < 999.5 ? `${hz.toFixed(0)} Hz` : `${(hz / 1000).toFixed(2)} kHz`);
  const decibels = (level) => `${level.toFixed(1).replace("-", "−")} dB`;

  function levelAt(line, x) {
    if (!line.readerPoints) line.readerPoints = line.getAttribute("points").split(" ").map((pair) => pair.split(",").map(Number));
    const points = line.readerPoints;
    let low = 0, high = points.length - 1;
    if (high < 1 || x < points[0][0] - 1 || x > points[high][0] + 1) return null;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (points[middle][0] <= x) low = middle; else high = middle;
    }
    const [x0, y0] = points[low], [x1, y1] = points[high];
    return x1 > x0 ? y0 + ((x - x0) / (x1 - x0)) * (y1 - y0) : y0;
  }

  function clear() {
    place = null;
    drawing()?.querySelector(".lab-reader")?.remove();
    output.textContent = "";
    output.hidden = true;
  }

  function show() {
    const svg = drawing();
    if (!svg || place === null) return clear();
    const [left, right, top, bottom] = numbers(svg, "frame");
    const [lowHz, highHz, lowDb, highDb] = numbers(svg, "range");
    place = Math.min(Math.max(place, Math.log(lowHz)), Math.log(highHz));
    const x = left + ((place - Math.log(lowHz)) / Math.log(highHz / lowHz)) * (right - left);
    const hz = Math.exp(place);
    svg.querySelector(".lab-reader")?.remove();
    const group = document.createElementNS(SVG, "g");
    group.setAttribute("class", "lab-reader");
    const rule = document.createElementNS(SVG, "line");
    for (const [key, value] of Object.entries({ x1: x, x2: x, y1: top, y2: bottom, stroke: "currentColor", "stroke-dasharray": "1 3" }))
      rule.setAttribute(key, value);
    group.append(rule);
    const levels = [];
    for (const line of [...svg.querySelectorAll("polyline[data-label]")].reverse()) {
      const y = levelAt(line, x - left);
      if (y === null) continue;
      const level = highDb - (y / (bottom - top)) * (highDb - lowDb);
      levels.push([line.dataset.label, level]);
      if (y < 0 || y > bottom - top) continue;
      const dot = document.createElementNS(SVG, "circle");
      for (const [key, value] of Object.entries({ cx: x, cy: top + y, r: 4, fill: line.getAttribute("stroke") })) dot.setAttribute(key, value);
      group.append(dot);
    }
    svg.append(group);
    const only = levels.length === 1;
    output.hidden = false;
    output.textContent = `${spoken(hz)} (note ${noteName(hz)}): ` + levels.map(([label, level]) => (only ? "" : `${label} `) + decibels(level)).join(", ");
  }

  function follow(event) {
    const svg = drawing();
    if (!svg) return;
    const [left, right] = numbers(svg, "frame");
    const [lowHz, highHz] = numbers(svg, "range");
    const box = svg.getBoundingClientRect();
    const x = ((event.clientX - box.left) * svg.viewBox.baseVal.width) / box.width;
    if (x < left - 6 || x > right + 6) return event.pointerType === "mouse" ? clear() : undefined;
    place = Math.log(lowHz) + ((x - left) / (right - left)) * Math.log(highHz / lowHz);
    show();
  }

  holder.tabIndex = 0;
  holder.setAttribute("role", "group");
  holder.setAttribute("aria-label", "Curve. Left and right arrow keys read it off, a semitone at a time.");
  holder.addEventListener("pointermove", follow);
  holder.addEventListener("pointerdown", follow);
  holder.addEventListener("pointerleave", (event) => event.pointerType === "mouse" && document.activeElement !== holder && clear());
  holder.addEventListener("blur", clear);
  holder.addEventListener("keydown", (event) => {
    const semitone = Math.log(2) / 12;
    const steps = { ArrowLeft: -semitone, ArrowRight: semitone, PageDown: -12 * semitone, PageUp: 12 * semitone };
    if (event.key === "Escape") return clear();
    if (!(event.key in steps)) return;
    event.preventDefault();
    place = place === null ? Math.log(1000) : place + steps[event.key];
    show();
  });
  clear();
  return show;
}
