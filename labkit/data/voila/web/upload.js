// A place to drop files on: sends them one after the other in pieces, each acknowledged before the next leaves.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-upload");
    const make = (tag, attributes = {}, ...children) => {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    };
    const unique = Math.random().toString(36).slice(2, 8);
    const choose = make("button", { type: "button", "aria-describedby": `${unique}-hint` }, model.get("label"));
    const hint = make("p", { class: "lab-note", id: `${unique}-hint` }, model.get("hint"));
    const bar = make("progress", { max: 1, value: 0, "aria-label": "File on its way" });
    const words = make("span", { class: "lab-upload-words" });
    const stop = make("button", { type: "button" }, "Cancel");
    const going = make("div", { class: "lab-upload-going" }, bar, words, stop);
    const said = make("p", { class: "lab-error", role: "alert" });
    const list = make("ul", { class: "lab-upload-files" });
    const zone = make("div", { class: "lab-upload-zone" }, choose, hint, going, said);
    going.hidden = true;
    el.append(zone, list);

    const queue = [], place = model.get("keeps_as"), known = new Set(); // files that are kept already
    let current = null, number = 0;
    const amount = (bytes) => bytes < 1e6 ? `${(bytes / 1e3).toFixed(0)} kB` : `${(bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0)} MB`;
    const say = (text) => { said.textContent = said.textContent && text ? `${said.textContent} ${text}` : text; };

    function add(files) {
      say("");
      for (const file of model.get("many") ? files : [...files].slice(0, 1)) queue.push(file);
      next();
    }
    function next() {
      if (current || !queue.length) { going.hidden = !current; return; }
      const file = queue.shift();
      current = { file, number: ++number, sent: 0, began: false };
      going.hidden = false;
      show();
      model.send({ do: "file-begin", number, name: file.name.slice(-200), size: file.size, kept: known.has(file) });
    }
    function show() {
      bar.value = current.file.size ? current.sent / current.file.size : 0;
      words.textContent = `${current.file.name}: ${amount(current.sent)} of ${amount(current.file.size)}`;
    }
    function finish(isDone = false) {
      if (isDone && place && !known.has(current.file)) KeptFiles.put(place, current.file.name, current.file, {}, model.get("many"));
      const had = stop === document.activeElement; current = null;
      next();
      if (had && going.hidden) choose.focus();
    }
    async function step(answer) {
      if (!current || answer.number !== current.number) return;
      if (answer.refused) { say(answer.refused); return finish(); }
      if (answer.done || answer.cancelled) return finish(answer.done);
      current.sent = answer.received;
      show();
      if (current.sent >= current.file.size) return model.send({ do: "file-end", number: current.number });
      const mine = current;
      try {
        const piece = await mine.file.slice(mine.sent, mine.sent + model.get("piece")).arrayBuffer();
        if (current === mine) model.send({ do: "file-piece", number: mine.number }, {}, [piece]);
      } catch {
        say(`${mine.file.name} could not be read on this computer.`);
        model.send({ do: "file-cancel", number: mine.number });
      }
    }
    function pick() {
      const input = make("input", { type: "file" });
      input.multiple = model.get("many");
      input.accept = model.get("accept");
      input.addEventListener("change", () => add([...input.files]));
      input.click();
    }
    function showFiles() {
      const focused = list.contains(document.activeElement) ? document.activeElement.dataset.focus : "";
      list.replaceChildren();
      for (const file of model.get("files")) {
        const item = make("li", { "data-key": file.key });
        const head = make("div", { class: "lab-upload-head" });
        const mark = make("span", { class: "lab-upload-name" }, file.name);
        if (file.colour) mark.style.borderLeft = `4px solid ${file.colour}`;
        head.append(mark, make("span", { class: "lab-note" }, file.detail ?? ""));
        if (file.removable) {
          const button = make("button", { type: "button", "data-focus": file.key, "aria-label": `Remove ${file.name}` }, "Remove");
          button.addEventListener("click", () => { if (place) KeptFiles.drop(place, file.name); model.send({ do: "remove", key: file.key }); });
          head.append(button);
        }
        item.append(head);
        if (file.error) item.append(make("p", { class: "lab-error" }, file.error));
        if (file.understood?.length) {
          const lines = make("ul", {});
          for (const line of file.understood) lines.append(make("li", {}, line));
          item.append(make("details", {}, make("summary", {}, "How it was read"), lines));
        }
        for (const warning of file.warnings ?? []) item.append(make("p", { class: "lab-note" }, `Mind: ${warning}.`));
        list.append(item);
      }
      list.hidden = !model.get("files").length;
      if (focused) (list.querySelector(`[data-focus="${focused}"]`) ?? choose).focus();
    }
    choose.addEventListener("click", pick);
    stop.addEventListener("click", () => {
      queue.length = 0;
      if (current) { say(`${current.file.name}: cancelled.`); model.send({ do: "file-cancel", number: current.number }); }
    });
    for (const name of ["dragenter", "dragover"]) zone.addEventListener(name, (event) => { event.preventDefault(); zone.classList.add("lab-over"); });
    for (const name of ["dragleave", "drop"]) zone.addEventListener(name, () => zone.classList.remove("lab-over"));
    zone.addEventListener("drop", (event) => { event.preventDefault(); add([...event.dataTransfer.files]); });
    model.on("msg:custom", step);
    model.on("change:files", showFiles);
    model.on("change:label", () => { choose.textContent = model.get("label"); });
    model.on("change:hint", () => { hint.textContent = model.get("hint"); });
    showFiles();
    if (place && model.get("takes_up")) KeptFiles.whenOpened(async () => {
      for (const { key, file } of await KeptFiles.all(place)) known.add(queue[queue.push(new File([file], key)) - 1]);
      next();
    });
  },
};
