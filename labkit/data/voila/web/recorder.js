// Steps of a measurement with a sound interface: each is recorded here or chosen as a file, and can be done again.
const COLLECT = `registerProcessor("lab-collect", class extends AudioWorkletProcessor {
  process([input]) {
    if (input.length) {
      const left = input[0].slice(), right = (input[1] ?? input[0]).slice();
      this.port.postMessage([left, right, input.length], [left.buffer, right.buffer]);
    }
    return true;
  }
});`;
const LEAD_S = 0.6, TAIL_S = 0.4, QUANTUM = 128; // the first fifth of a second of a recording is not to be trusted
const FORBIDDEN = "This browser records only in a lab that runs on this machine (127.0.0.1) or over https; over plain http on another name it forbids the microphone. Record with any recorder instead, and choose the files.";

export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-recorder");
    const make = (tag, attributes = {}, ...children) => {
      const node = document.createElement(tag);
      for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
      node.append(...children);
      return node;
    };
    const canRecord = window.isSecureContext && !!navigator.mediaDevices?.getUserMedia && typeof AudioWorkletNode === "function";
    // a view may say that nothing is played: then a recording ends with Stop, or after `seconds`
    const plays = () => model.get("view").plays !== false;
    const quiet = make("input", { type: "checkbox" });
    const pick = make("select");
    const sources = make("div", { class: "lab-recorder-input" }, make("label", {}, "Input ", pick));
    sources.hidden = true;
    const loud = make("span"), promise = make("span");
    const caution = make("div", { class: "lab-recorder-caution" },
      make("p", {}, make("strong", {}, "Loud: "), loud),
      make("label", {}, quiet, promise));
    const forbidden = make("p", { class: "lab-note" }, FORBIDDEN);
    const steps = make("ol", { class: "lab-recorder-steps" });
    const problem = make("p", { class: "lab-error", role: "alert" });
    const kept = make("p", { class: "lab-note" });
    const keep = make("button", { type: "button" }, "Use a kept calibration");
    const meters = make("div", { class: "lab-recorder-meters", "aria-label": "Levels coming in" });
    const bars = ["Channel 1", "Channel 2"].map((name) => {
      const fill = make("span", { class: "lab-recorder-fill" });
      const words = make("span", { class: "lab-recorder-words" }, "–");
      meters.append(make("div", { class: "lab-recorder-meter" }, make("span", {}, name), make("span", { class: "lab-recorder-bar" }, make("span", { class: "lab-recorder-zone" }), fill), words));
      return { fill, words };
    });
    const going = make("p", { class: "lab-note", role: "status" });
    meters.append(going);
    meters.hidden = true;
    el.append(...(canRecord ? [caution, sources] : [forbidden]), steps, meters, problem, kept, keep);

    let busy = null, sending = null, number = 0, waiting = null;
    const errors = {};

    // sending: pieces, each acknowledged before the next leaves
    const waits = []; // what was recorded before this page was opened anew
    function send(step, name, blob, isKept = false) {
      sending = { step, name, blob, isKept, sent: 0, number: ++number };
      errors[step] = "";
      model.send({ do: "file-begin", step, number, name, size: blob.size });
      show();
    }
    async function answered(answer, buffers) {
      if (answer.sound || answer.no_sound) return waiting?.(answer, buffers);
      if (!sending || answer.number !== sending.number) return;
      if (answer.refused) { errors[sending.step] = answer.refused; return finish(); }
      if (answer.done || answer.cancelled) return finish(answer.done);
      sending.sent = answer.received;
      if (sending.sent >= sending.blob.size) return model.send({ do: "file-end", number: sending.number });
      const mine = sending;
      try {
        const piece = await mine.blob.slice(mine.sent, mine.sent + model.get("piece")).arrayBuffer();
        if (sending === mine) model.send({ do: "file-piece", number: mine.number }, {}, [piece]);
      } catch {
        errors[mine.step] = `${mine.name} could not be read on this computer.`;
        model.send({ do: "file-cancel", number: mine.number });
        finish();
      }
    }
    function finish(isDone = false) {
      if (isDone && !sending.isKept) KeptFiles.put("takes", sending.step, sending.blob, { name: sending.name });
      sending = null;
      const next = waits.shift();
      if (next) send(next.key, next.name, next.file, true);
      else show();
    }
    function choose(step, accept) {
      const input = make("input", { type: "file", accept });
      input.addEventListener("change", () => { if (input.files.length) send(step, input.files[0].name.slice(-200), input.files[0]); });
      input.click();
    }

    // recording
    const sounds = {};
    function soundAt(rate) {
      return sounds[rate] ??= new Promise((resolve, reject) => {
        waiting = (answer, buffers) => {
          waiting = null;
          if (answer.no_sound) { delete sounds[rate]; return reject(new Error(answer.no_sound)); }
          const bytes = buffers[0];
          resolve(new Float32Array(bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.byteLength)));
        };
        model.send({ do: "sound", rate });
      });
    }
    function refusal(settings) {
      const on = Object.entries({ echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "automatic gain" })
        .filter(([key]) => settings[key] !== false).map(([, words]) => words);
      if (on.length) return `The browser does not switch off ${on.join(", ")} for this input; nothing was recorded. Choose another input, or record with a recorder and choose the file.`;
      if (plays() && settings.channelCount !== 2) return `This input gives ${settings.channelCount ?? "an unknown number of"} channel(s); two are due. Choose the interface as input, in stereo.`;
      return "";
    }
    async function record(step) {
      if (busy || sending) return;
      busy = { step, stop: () => {} };
      errors[step] = "";
      show();
      let stream = null, context = null;
      try {
        const wanted = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 2 };
        if (pick.value) wanted.deviceId = { exact: pick.value };
        stream = await navigator.mediaDevices.getUserMedia({ audio: wanted });
        await listInputs(stream);
        const settings = stream.getAudioTracks()[0].getSettings();
        const wrong = refusal(settings);
        if (wrong) throw new Error(wrong);
        context = new AudioContext({ sampleRate: settings.sampleRate, latencyHint: "playback" });
        const address = URL.createObjectURL(new Blob([COLLECT], { type: "text/javascript" }));
        await context.audioWorklet.addModule(address);
        URL.revokeObjectURL(address);
        const sound = plays() ? await soundAt(context.sampleRate) : null;
        const collector = new AudioWorkletNode(context, "lab-collect", { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 2, channelCountMode: "explicit", channelInterpretation: "discrete" });
        const left = [], right = [];
        let frames = 0, stopped = false;
        const due = sound ? Math.ceil((LEAD_S + TAIL_S) * context.sampleRate) + sound.length : Math.floor(model.get("view").seconds * context.sampleRate) - QUANTUM;
        const done = new Promise((resolve) => {
          busy.stop = () => { stopped = true; resolve(); };
          collector.port.onmessage = ({ data: [one, other] }) => {
            left.push(one); right.push(other); frames += one.length;
            meter([one, other], frames, due, context.sampleRate);
            if (frames >= due) resolve();
          };
        });
        context.createMediaStreamSource(stream).connect(collector);
        const player = context.createBufferSource();
        if (sound) {
          player.buffer = context.createBuffer(1, sound.length, context.sampleRate);
          player.buffer.copyToChannel(sound, 0);
          player.connect(context.destination);
        }
        await context.resume();
        player.start(context.currentTime + LEAD_S);
        await done;
        player.stop();
        if (!stopped || (!sound && frames)) send(step, `${step}.wav`, wav([left, right], context.sampleRate));
      } catch (error) {
        const named = { NotAllowedError: "The browser was not allowed to record; allow the microphone for this page and try again.", NotFoundError: "There is no input to record from; connect the interface and try again." };
        errors[step] = named[error.name] ?? error.message;
      } finally {
        stream?.getTracks().forEach((track) => track.stop());
        await context?.close();
        busy = null;
        meters.hidden = true;
        show();
      }
    }
    async function listInputs(stream) {
      const used = stream.getAudioTracks()[0].getSettings().deviceId;
      const found = (await navigator.mediaDevices.enumerateDevices()).filter((device) => device.kind === "audioinput");
      pick.replaceChildren(...found.map((device) => make("option", { value: device.deviceId }, device.label || "input")));
      pick.value = used;
      sources.hidden = found.length < 2;
    }
    let shownAt = 0;
    const peaks = [0, 0];
    function meter(channels, frames, due, rate) {
      channels.forEach((samples, at) => { for (const value of samples) peaks[at] = Math.max(peaks[at], Math.abs(value)); });
      if (performance.now() - shownAt < 80) return;
      shownAt = performance.now();
      meters.hidden = false;
      bars.forEach(({ fill, words }, at) => {
        const level = 20 * Math.log10(Math.max(peaks[at], 1e-6));
        fill.style.width = `${Math.min(100, Math.max(0, (level + 96) / 0.96))}%`;
        words.textContent = `${level.toFixed(0).replace("-", "−")} dB`;
        peaks[at] = 0;
      });
      const far = plays() ? `${Math.round(100 * Math.min(frames / due, 1))} % of ${model.get("view").seconds?.toFixed(0)} s` : `${(frames / rate).toFixed(0)} s; press Stop when all moves are done`;
      going.textContent = `Recording: ${far}. Leave the knobs alone.`;
    }
    function wav([left, right], rate) {
      const frames = left.reduce((sum, piece) => sum + piece.length, 0);
      const bytes = new ArrayBuffer(44 + 8 * frames), view = new DataView(bytes);
      const text = (at, words) => [...words].forEach((letter, k) => view.setUint8(at + k, letter.charCodeAt(0)));
      text(0, "RIFF"); view.setUint32(4, 36 + 8 * frames, true); text(8, "WAVEfmt "); view.setUint32(16, 16, true);
      view.setUint16(20, 3, true); view.setUint16(22, 2, true); view.setUint32(24, rate, true); view.setUint32(28, 8 * rate, true);
      view.setUint16(32, 8, true); view.setUint16(34, 32, true); text(36, "data"); view.setUint32(40, 8 * frames, true);
      const samples = new Float32Array(bytes, 44);
      for (const [channel, pieces] of [[0, left], [1, right]]) {
        let at = channel;
        for (const piece of pieces) for (const value of piece) { samples[at] = value; at += 2; }
      }
      return new Blob([bytes], { type: "audio/wav" });
    }

    // what is shown
    function show() {
      const view = model.get("view");
      loud.textContent = view.caution;
      if (promise.textContent !== view.promise) { promise.textContent = view.promise; quiet.checked = false; }
      const focused = steps.contains(document.activeElement) ? document.activeElement.dataset.focus : "";
      steps.replaceChildren();
      for (const step of view.steps ?? []) {
        const item = make("li", { "data-step": step.key, class: step.is_done ? "lab-recorder-done" : step.is_next ? "lab-recorder-next" : "" });
        const head = make("div", { class: "lab-recorder-head" }, make("strong", {}, step.title), make("span", { class: "lab-recorder-mark" }, step.is_done ? "done" : step.is_next ? "next" : ""));
        const row = make("div", { class: "lab-recorder-row" });
        if (canRecord) {
          const mine = busy?.step === step.key;
          const button = make("button", { type: "button", "data-focus": `record-${step.key}`, "aria-label": mine ? `Stop: ${step.title}` : `Record: ${step.title}` }, mine ? "Stop" : step.is_done ? "Record again" : "Record");
          button.disabled = mine ? false : !!busy || !!sending || !quiet.checked;
          button.addEventListener("click", () => (mine ? busy.stop() : record(step.key)));
          row.append(button);
        }
        const file = make("button", { type: "button", "data-focus": `file-${step.key}`, "aria-label": `Choose a file: ${step.title}` }, "Choose a file");
        file.disabled = !!busy || !!sending;
        file.addEventListener("click", () => choose(step.key, ".wav,.flac,audio/wav,audio/flac"));
        row.append(file);
        item.append(head, make("p", { class: "lab-note" }, step.words), row);
        if (sending?.step === step.key) item.append(make("p", { class: "lab-note", role: "status" }, "Looking at it …"));
        else if (step.said) item.append(make("p", { class: "lab-recorder-said" }, step.said));
        const wrong = errors[step.key] || step.refused;
        if (wrong) item.append(make("p", { class: "lab-error", role: "alert" }, wrong));
        steps.append(item);
      }
      problem.textContent = [view.problem, errors.calibration].filter(Boolean).join(" ");
      kept.textContent = view.calibration ? `Calibration: ${view.calibration}.` : "";
      keep.disabled = !!busy || !!sending;
      if (focused) steps.querySelector(`[data-focus="${focused}"]`)?.focus();
    }
    quiet.addEventListener("change", show);
    keep.addEventListener("click", () => choose("calibration", ".toml"));
    model.on("msg:custom", answered);
    model.on("change:view", show);
    show();
    KeptFiles.whenOpened(async () => {
      waits.push(...await KeptFiles.all("takes"));
      const next = sending ? null : waits.shift();
      if (next) send(next.key, next.name, next.file, true);
    });
    return () => busy?.stop();
  },
};
