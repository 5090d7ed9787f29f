// The desk of a blind test: what Python says at each stage, three sounds to switch between, answers by key and tap.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-desk");
    const STORE = "labkit.listening-test", LARGEST = 65536;
    const inLab = document.body.dataset.voila !== undefined;
    const loops = new SoundLoops();
    const unique = Math.random().toString(36).slice(2, 8);
    let view = {}, heard = false, since = 0, stage = "";

    function make(tag, attributes = {}, ...children) {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    }
    const button = (label, work, attributes = {}) => {
      const node = make("button", { type: "button", ...attributes }, label);
      node.addEventListener("click", () => { if (node.getAttribute("aria-disabled") !== "true") work(); });
      return node;
    };
    const heading = make("h2", { tabindex: "-1" }), words = make("div", { class: "lab-desk-words" });
    const progress = make("progress", { "aria-label": "Trials answered" });
    const result = make("div", { class: "lab-desk-result" });
    const listen = make("div", { class: "lab-buttons lab-desk-listen", role: "group", "aria-label": "Listen to" });
    const answers = make("div", { class: "lab-buttons lab-desk-answers", role: "group", "aria-label": "Your answer" });
    const hint = make("p", { class: "lab-note" });
    const said = make("p", { class: "lab-said", role: "status" });
    const actions = make("div", { class: "lab-buttons lab-desk-actions" });
    const seal = make("p", { class: "lab-note lab-seal" });
    const loud = make("input", { type: "range", id: `${unique}-loud`, min: 0, max: 100, step: 1, value: 25 });
    loud.style.setProperty("--part", 0.25);
    loud.setAttribute("aria-valuetext", "25 percent");
    const keys = make("input", { type: "checkbox", id: `${unique}-keys` });
    keys.checked = true;
    const loudness = make("div", { class: "lab-loudness" },
      make("label", { for: `${unique}-loud` }, "Loudness"), loud, make("span", { class: "lab-desk-keys" }, keys, make("label", { for: `${unique}-keys` }, "Use the keyboard")));
    const file = make("input", { type: "file", id: `${unique}-file`, accept: ".json,application/json" });
    const opener = make("div", { class: "lab-desk-file" }, make("label", { for: `${unique}-file` }, "Open a saved test"), file);
    el.append(heading, progress, result, words, loudness, listen, answers, hint, said, actions, opener, seal);

    loud.addEventListener("input", () => {
      loud.style.setProperty("--part", loud.value / 100);
      loud.setAttribute("aria-valuetext", `${loud.value} percent`);
      loops.setLoudness((loud.value / 100) ** 2); // square law: even steps to the ear, silent at 0
    });
    file.addEventListener("change", async () => {
      const chosen = file.files[0];
      file.value = "";
      if (!chosen) return;
      if (chosen.size > LARGEST) return say(`${chosen.name} is larger than a saved test ever is.`);
      model.send({ do: "resume", text: await chosen.text() });
    });

    function say(text) { said.textContent = text; said.hidden = !text; }
    function act(key) { model.send({ do: key }); }
    function hear(index) {
      loops.play(index);
      if (index === 2) heard = true;
      showSounding();
    }
    function stop() { loops.stop(); showSounding(); }
    function answer(key) {
      // no answer before X was heard, and none by a key that is still held down from the trial before
      if (!heard) return say("Listen to X first.");
      if (performance.now() - since < 300) return;
      since = performance.now();
      model.send({ do: "answer", choice: key, trial: view.trial });
    }
    function showSounding() {
      [...listen.children].forEach((node, index) => {
        if (node.dataset.source) node.setAttribute("aria-pressed", String(loops.isPlaying && loops.shown === index));
      });
      const stopper = listen.querySelector("[data-stop]");
      stopper?.setAttribute("aria-disabled", String(!loops.isPlaying));
      el.dataset.sounding = loops.isPlaying ? String(loops.shown) : "";
    }
    function show() {
      const before = view;
      view = model.get("view");
      if (!view.stage) return;
      const moved = view.stage !== stage;
      const focused = el.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
      el.dataset.stage = view.stage;
      el.dataset.trial = view.trial;
      heading.textContent = view.heading;
      heading.hidden = !view.heading;
      heading.dataset.announce = view.heading;
      words.replaceChildren(...view.lines.map((line) => make("p", {}, line)));
      progress.hidden = !view.total;
      progress.max = view.total || 1;
      progress.value = view.done;
      progress.textContent = `${view.done} of ${view.total}`;
      if (before.html !== view.html) result.innerHTML = view.html; // made by the page's Python, which escapes every name
      const testing = view.listen.length > 0;
      if (!testing && loops.isPlaying) loops.stop();
      for (const part of [loudness, listen, answers, hint]) part.hidden = !testing;
      if (JSON.stringify([before.listen, before.answers]) !== JSON.stringify([view.listen, view.answers])) {
        listen.replaceChildren(...view.listen.map((label, index) => button(label, () => hear(index), { "data-source": label, "data-key": `listen-${index}`, "aria-label": `Listen to ${label}`, "aria-pressed": "false" })));
        if (testing) listen.append(button("Stop", stop, { "data-stop": "1", "data-key": "stop", "aria-disabled": "true" }));
        answers.replaceChildren(...view.answers.map((each) => button(`${each.label}`, () => answer(each.key), { "data-key": `answer-${each.key}`, "data-answer": each.key })));
        hint.textContent = testing ? `Keys: ${view.listen.join(", ")} to listen, ${view.answers.map((each) => `${each.hint} for ‘${each.label}’`).join(", ")}, Escape to stop.` : "";
      }
      actions.replaceChildren(...view.buttons.map((each) => button(each.label, () => act(each.key), { class: each.primary ? "lab-primary" : "", "data-key": each.key, "aria-disabled": String(!each.enabled) })));
      say(view.said);
      opener.hidden = !view.opens_file;
      seal.textContent = view.seal;
      seal.hidden = !view.seal;
      keep();
      showSounding();
      const again = focused && el.querySelector(`[data-key="${CSS.escape(focused)}"]`);
      if (again && !again.closest("[hidden]")) again.focus();
      else if (stage && (moved || focused)) heading.focus({ preventScroll: true });
      if (stage && moved) el.scrollIntoView({ block: "nearest" });
      stage = view.stage;
    }
    function keep() {
      if (!inLab) return;
      try {
        if (view.kept) localStorage.setItem(STORE, view.kept);
        else if (model.get("forgets")) localStorage.removeItem(STORE);
      } catch { /* a browser that keeps nothing: the test can still be saved to a file */ }
    }
    function key(event) {
      if (!keys.checked || !view.listen?.length || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
      if (event.target.matches?.("input[type=text], textarea, select, [contenteditable]")) return;
      const pressed = event.key.toUpperCase(), source = view.listen.indexOf(pressed);
      const chosen = view.answers.find((each) => each.hint === event.key);
      if (source >= 0) hear(source);
      else if (chosen) answer(chosen.key);
      else if (event.key === "Escape") stop();
      else return;
      event.preventDefault();
    }
    function sounds(message, buffers) {
      if (message.sounds === undefined) return;
      loops.setFiles(buffers.map((each) => (each instanceof DataView ? each : new DataView(each.buffer ?? each, each.byteOffset ?? 0, each.byteLength))));
      heard = false;
      showSounding();
      el.dataset.ready = message.sounds;
    }
    model.on("change:view", show);
    model.on("change:forgets", keep);
    model.on("msg:custom", sounds);
    document.addEventListener("keydown", key);
    show();
    if (inLab) {
      let kept = null;
      try { kept = localStorage.getItem(STORE); } catch { kept = null; }
      if (kept && kept.length <= LARGEST) model.send({ do: "found", text: kept });
    }
    return () => { document.removeEventListener("keydown", key); loops.close(); };
  },
};
