// What is being worked on: seconds so far, and a way to stop it or to start it again.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-work");
    const words = document.createElement("span");
    words.setAttribute("role", "status");
    const button = document.createElement("button");
    button.type = "button";
    el.append(words, button);
    const show = () => {
      words.textContent = model.get("words");
      el.hidden = !model.get("words");
      button.textContent = model.get("again") ? "Go on" : "Cancel";
    };
    button.addEventListener("click", () => model.send({ do: model.get("again") ? "again" : "cancel" }));
    model.on("change", show);
    show();
  },
};
