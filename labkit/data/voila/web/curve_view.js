// Shows the curve that Python draws and tells Python how wide it may be.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget");
    const holder = document.createElement("div");
    holder.className = "lab-curve-holder";
    const picture = document.createElement("div");
    holder.append(picture);
    el.append(holder);
    const refresh = attachCurveReader(holder);
    const draw = () => {
      picture.innerHTML = model.get("svg"); // made by labkit.view.curve.curve, which escapes every name
      refresh();
    };
    const measure = () => {
      const width = Math.round(holder.clientWidth);
      if (width >= 200 && width !== model.get("width")) {
        model.set("width", width);
        model.save_changes();
      }
    };
    model.on("change:svg", draw);
    draw();
    const watch = new ResizeObserver(() => requestAnimationFrame(measure));
    watch.observe(holder);
    return () => { watch.disconnect(); model.off("change:svg", draw); };
  },
};
