// Two versions of one take, looped and locked together; switching cross-fades and keeps the place.
export default {
  render({ model, el }) {
    el.classList.add("lab-widget", "lab-player");
    const FADE_S = 0.015, SILENT_MS = 30000;
    const MAKING = "Making the sound …", ENDED = "There is no such sound: the calculation behind this page has stopped.";
    const slots = ["now", "other"];
    let context = null, master = null, startedAt = 0, playing = false, wish = null, last = null, dropped = false, ended = false, silent = 0, shown = "now", frame = 0;
    const voices = {}; // slot -> { source, gain, seconds }
    const unique = Math.random().toString(36).slice(2, 8);

    el.innerHTML = `
      <div class="lab-player-row">
        <button type="button" class="lab-dark" data-part="play" data-local>Play</button>
        <fieldset class="lab-switch" data-part="versions" data-local><legend class="lab-unseen">Version you hear</legend><div class="lab-segments">
          <span><input type="radio" name="${unique}" id="${unique}-now" value="now" checked><label for="${unique}-now">Now</label></span>
          <span><input type="radio" name="${unique}" id="${unique}-other" value="other"><label for="${unique}-other"></label></span>
        </div></fieldset>
        <div class="lab-place" aria-hidden="true"><i></i></div>
        <button type="button" data-part="save" data-local>Save as WAV</button>
      </div>
      <div class="lab-loudness"><span><label for="${unique}-take">Played</label><select id="${unique}-take"></select></span><span><label for="${unique}-loud">Loudness</label><input type="range" id="${unique}-loud" data-local min="0" max="100" value="25" step="1" style="--part:0.25"></span></div>
      <p class="lab-note" data-part="note"></p>
      <div class="lab-sound-work"><p class="lab-said" role="status" data-part="said" hidden></p><button type="button" data-part="cancel" hidden>Cancel</button><button type="button" data-part="again" hidden>Try again</button></div>`;
    const part = (name) => el.querySelector(`[data-part=${name}]`);
    const play = part("play"), loud = el.querySelector("input[type=range]"), bar = el.querySelector(".lab-place i");
    const say = (text, button = "") => {
      part("said").textContent = text;
      part("said").hidden = !text;
      for (const name of ["cancel", "again"]) {
        const focused = document.activeElement === part(name);
        part(name).hidden = name !== button;
        if (focused && name !== button) play.focus(); // nobody is left on a button that has gone
      }
    };

    function readWav(view) {
      const name = (at) => String.fromCharCode(view.getUint8(at), view.getUint8(at + 1), view.getUint8(at + 2), view.getUint8(at + 3));
      let at = 12, rate = 48000, channels = 1, bits = 16;
      while (at + 8 <= view.byteLength) {
        const size = view.getUint32(at + 4, true);
        if (name(at) === "fmt ") { channels = view.getUint16(at + 10, true); rate = view.getUint32(at + 12, true); bits = view.getUint16(at + 22, true); }
        if (name(at) === "data" && bits === 16) {
          const count = Math.floor(Math.min(size, view.byteLength - at - 8) / 2 / channels);
          const samples = new Float32Array(count);
          for (let index = 0; index < count; index++) samples[index] = view.getInt16(at + 8 + 2 * index * channels, true) / 32768;
          return { samples, rate };
        }
        at += 8 + size + (size % 2);
      }
      return null;
    }
    const bytesOf = (slot) => { const view = model.get(slot); return view && view.byteLength > 44 ? view : null; };
    const loudness = () => (Number(loud.value) / 100) ** 2; // square law: even steps to the ear, silent at 0

    function fade(gain, to) {
      const time = context.currentTime;
      gain.gain.cancelScheduledValues(time);
      gain.gain.setValueAtTime(gain.gain.value, time);
      gain.gain.linearRampToValueAtTime(to, time + FADE_S);
    }
    function load(slot) {
      const view = bytesOf(slot);
      const before = voices[slot];
      delete voices[slot];
      if (before) { fade(before.gain, 0); before.source.stop(context.currentTime + 2 * FADE_S); }
      if (!view) return;
      const sound = readWav(view);
      if (!sound) return;
      const buffer = context.createBuffer(1, sound.samples.length, sound.rate);
      buffer.copyToChannel(sound.samples, 0);
      const source = context.createBufferSource(), gain = context.createGain();
      source.buffer = buffer;
      source.loop = true;
      gain.gain.value = 0;
      source.connect(gain).connect(master);
      const seconds = buffer.duration;
      const begin = context.currentTime + 0.002;
      if (!startedAt) startedAt = begin;
      source.start(begin, (begin - startedAt) % seconds);
      voices[slot] = { source, gain, seconds };
      fade(gain, slot === shown ? 1 : 0);
    }
    function begin() {
      context ??= new AudioContext();
      context.resume();
      if (!master) { master = context.createGain(); master.connect(context.destination); }
      master.gain.value = loudness();
      startedAt = 0;
      playing = true;
      slots.forEach(load);
      play.textContent = "Stop";
      el.dataset.state = "playing";
      say("");
      tick();
    }
    function stop() {
      playing = false;
      for (const slot of slots) if (voices[slot]) { fade(voices[slot].gain, 0); voices[slot].source.stop(context.currentTime + 2 * FADE_S); delete voices[slot]; }
      play.textContent = "Play";
      el.dataset.state = "stopped";
      cancelAnimationFrame(frame);
      bar.style.width = "0";
    }
    function tick() {
      const voice = voices[shown] ?? voices.now;
      if (voice) bar.style.width = `${(100 * (((context.currentTime - startedAt) % voice.seconds) / voice.seconds)).toFixed(1)}%`;
      if (playing) frame = requestAnimationFrame(tick);
    }
    function choose(slot) {
      shown = slot;
      el.querySelector(`#${unique}-${slot}`).checked = true;
      if (playing) for (const name of slots) if (voices[name]) fade(voices[name].gain, name === slot ? 1 : 0);
    }
    function save() {
      const view = bytesOf(shown) ?? bytesOf("now");
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([view], { type: "audio/wav" }));
      link.download = model.get("file_name") || "rig.wav";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
      say(`Saved ${link.download}.`);
    }
    // Python says twice a second that it is at work; without a sign the wait ends here
    function wait(words) {
      say(words, "cancel");
      clearTimeout(silent);
      silent = setTimeout(() => { drop(); say("The sound has not come: the lab is busy or cannot be reached.", "again"); }, SILENT_MS);
    }
    function drop() {
      wish = null;
      dropped = true;
      clearTimeout(silent);
      model.send({ do: "cancel" });
    }
    function want(action) {
      if (model.get("is_current") && bytesOf("now")) return action();
      if (ended) return say(ENDED);
      wish = last = action;
      dropped = false;
      wait(MAKING);
      model.send({ do: "render" });
    }
    function showMaking() {
      const words = model.get("making");
      if (words && !dropped) return wait(words);
      if (!words && !wish && !dropped) say("");
      if (!words) { dropped = false; if (!wish) clearTimeout(silent); }
    }
    function end() {
      ended = true;
      clearTimeout(silent);
      if (wish || !part("cancel").hidden) say(ENDED);
      wish = null;
    }
    function refresh() {
      const labels = model.get("labels"), two = labels.length > 1;
      el.querySelector(`label[for="${unique}-other"]`).textContent = two ? labels[1] : "";
      part("versions").hidden = !two;
      if (!two && shown === "other") choose("now");
      part("note").textContent = model.get("note");
    }
    const takes = el.querySelector("select");
    for (const name of model.get("takes")) takes.append(new Option(name, name));
    takes.parentElement.classList.toggle("lab-one-take", model.get("takes").length < 2);
    takes.addEventListener("change", () => model.send({ do: "take", name: takes.value }));
    function arrived(slot) { if (playing) load(slot); }

    play.addEventListener("click", () => (playing ? stop() : want(begin)));
    part("save").addEventListener("click", () => want(save));
    loud.addEventListener("input", () => { loud.style.setProperty("--part", loud.value / 100); if (master) master.gain.setTargetAtTime(loudness(), context.currentTime, 0.02); loud.setAttribute("aria-valuetext", `${loud.value} percent`); });
    el.querySelectorAll("input[type=radio]").forEach((radio) => radio.addEventListener("change", () => choose(radio.value)));
    model.on("change:labels", refresh);
    model.on("change:note", refresh);
    slots.forEach((slot) => model.on(`change:${slot}`, () => arrived(slot)));
    model.on("change:making", showMaking);
    model.on("msg:custom", (message) => {
      if (!message.failed && !message.rendered) return;
      clearTimeout(silent);
      if (message.failed) { wish = null; say(message.failed, message.again ? "again" : ""); }
      else if (wish) { const action = wish; wish = null; say(""); action(); }
    });
    part("cancel").addEventListener("click", () => { drop(); say("Cancelled: no sound is being made.", "again"); });
    part("again").addEventListener("click", () => want(last ?? begin));
    for (const name of ["pointerenter", "focus"]) play.addEventListener(name, () => { if (!ended && !playing && !model.get("is_current")) model.send({ do: "warm" }); });
    document.addEventListener("lab-ended", end);
    el.dataset.state = "stopped";
    refresh();
    return () => { document.removeEventListener("lab-ended", end); clearTimeout(silent); if (playing) stop(); context?.close(); };
  },
};
