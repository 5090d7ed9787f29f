// A small text file chosen or dropped by hand, read in the browser and sent to Python whole.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-opener");
    const unique = Math.random().toString(36).slice(2, 8);
    const label = document.createElement("label");
    label.htmlFor = `open-${unique}`;
    label.textContent = model.get("label");
    const input = document.createElement("input");
    input.type = "file";
    input.id = `open-${unique}`;
    input.accept = model.get("accept");
    input.setAttribute("aria-describedby", `said-${unique}`);
    const said = document.createElement("p");
    said.className = "lab-said";
    said.id = `said-${unique}`;
    said.setAttribute("role", "status");
    said.hidden = true;
    el.append(label, input, said);
    const say = (text, failed) => { said.textContent = text; said.hidden = !text; said.classList.toggle("lab-error", Boolean(failed)); };
    async function send(file) {
      if (!file) return;
      if (file.size > model.get("largest")) {
        say(`${file.name.slice(0, 80)} is larger than any sheet (${Math.round(model.get("largest") / 1024)} kB at most).`, true);
        return;
      }
      say(`Reading ${file.name.slice(0, 80)} …`);
      model.send({ do: "sheet", name: file.name.slice(0, 120), text: await file.text() });
    }
    input.addEventListener("change", () => { send(input.files[0]); input.value = ""; });
    el.addEventListener("dragover", (event) => event.preventDefault());
    el.addEventListener("drop", (event) => { event.preventDefault(); send(event.dataTransfer.files[0]); });
    model.on("msg:custom", (message) => { if (message.said !== undefined) say(message.said, message.failed); });
  },
};
