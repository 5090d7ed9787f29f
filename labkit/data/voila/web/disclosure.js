// Something that is made only while it is looked at: asks Python when opened, tells it when closed.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-disclosure");
    const box = document.createElement("details"), head = document.createElement("summary");
    const said = document.createElement("p"), body = document.createElement("div");
    said.className = "lab-said";
    said.setAttribute("role", "status");
    body.className = "lab-disclosed";
    body.tabIndex = 0; // what is wider than the page is scrolled by keyboard, too
    body.setAttribute("role", "region");
    box.append(head, said, body);
    el.append(box);
    const show = () => {
      head.textContent = model.get("label");
      body.setAttribute("aria-label", model.get("label"));
      said.textContent = model.get("said");
      said.hidden = !model.get("said");
      body.toggleAttribute("data-stale", Boolean(model.get("said")));
    };
    const fill = () => { body.innerHTML = model.get("html"); body.hidden = !model.get("html"); }; // escaped where it is made
    box.addEventListener("toggle", () => model.send({ do: "toggle", is_open: box.open }));
    model.on("change:label", show);
    model.on("change:said", show);
    model.on("change:html", fill);
    show();
    fill();
  },
};
