// The bar at the foot: Play, A and B, what is played, at which level. In the lab it stands right after the skip link.
export default {
  render({ model, el }) {
    const STORE = "labkit.listening", SILENT_MS = 60000, SILENT_OUTPUT_MS = 2500, AGAIN_MS = 4000, WORDS_MS = 400, OWN = "recording", NB = "\u00a0";
    const inLab = document.body.dataset.voila !== undefined;
    const unique = `ear-${Math.random().toString(36).slice(2, 8)}`; // a letter first, as selectors want it
    const bar = document.createElement("section");
    bar.className = "lab-widget lab-ear";
    bar.setAttribute("aria-label", "Listen");
    if (inLab) { document.querySelector(".lab-skip").after(bar); el.style.display = "none"; }
    else { bar.classList.add("lab-ear-here"); el.append(bar); }

    const loudness = (place) => `<fieldset class="lab-ear-loud"><legend>Loudness of A and B</legend><div class="lab-segments">
      <span><input type="radio" name="${unique}-${place}" id="${unique}-${place}-same" value="same"><label for="${unique}-${place}-same">same</label></span>
      <span><input type="radio" name="${unique}-${place}" id="${unique}-${place}-true" value="true"><label for="${unique}-${place}-true">true level</label></span></div></fieldset>`;
    const volume = (place) => `<div class="lab-ear-volume"><label for="${unique}-${place}-volume">Volume</label><input type="range" id="${unique}-${place}-volume" min="0" max="100" step="1"></div>`;
    const ticket = (letter) => `<button type="button" class="lab-ticket" data-letter="${letter}" aria-pressed="false"><b>${letter}</b><span class="lab-ticket-text"></span><svg viewBox="0 0 26 6" aria-hidden="true"><path d="M0 3H26"/></svg><span class="lab-ticket-level"></span></button>`;
    bar.innerHTML = `
      <button type="button" class="lab-play" data-part="play" data-local><span>Play</span></button>
      <div class="lab-meter" aria-hidden="true"><div><i></i><b></b><u></u></div><p>silent</p></div>
      ${ticket("A")}
      <button type="button" class="lab-swap" data-part="swap" aria-label="Swap A and B"><svg width="20" height="16" viewBox="0 0 20 16" aria-hidden="true"><path d="M1 5h16l-4-4M19 11H3l4 4"/></svg><kbd aria-hidden="true">X</kbd></button>
      ${ticket("B")}
      <div class="lab-ear-take"><label for="${unique}-take">You hear</label><select id="${unique}-take"></select></div>
      ${loudness("bar")}${volume("bar")}
      <button type="button" class="lab-ear-blind" data-part="blind">Blind test</button>
      <button type="button" class="lab-ear-more" data-part="more" aria-expanded="false" aria-controls="${unique}-sheet" aria-label="More about listening">⋯</button>
      <p class="lab-ear-said" role="status" data-part="said" hidden></p><p class="lab-unseen" role="status" data-part="heard"></p>
      <div class="lab-ear-sheet" id="${unique}-sheet" role="dialog" aria-label="More about listening" data-part="sheet" hidden>
        <h2>Your own recording</h2>
        <p class="lab-note">Drop a dry WAV or FLAC on this bar, or choose one: at most ${Math.round(model.get("longest_s"))} s. It stays on this machine.</p>
        <div class="lab-buttons"><button type="button" data-part="choose">Choose a recording</button></div>
        <div class="lab-ear-through" data-part="own" hidden><label for="${unique}-through">It was made through</label><select id="${unique}-through"></select><p class="lab-note" data-part="band"></p></div>
        <h2>Play live</h2>
        <p class="lab-note">Your guitar through A and B while you play, on this machine only. Wear headphones: from a loudspeaker the strings or the microphone hear it, and it howls. The input opens muted; press Unmute when its level is good.</p>
        <div class="lab-ear-through"><label for="${unique}-guitar">Your guitar is</label><select id="${unique}-guitar"></select><p class="lab-note" data-part="live-band"></p></div>
        <div class="lab-ear-devices"><div><label for="${unique}-input">Sound input</label><select id="${unique}-input"></select></div><div><label for="${unique}-output">Sound output</label><select id="${unique}-output"></select></div></div>
        <div class="lab-buttons"><button type="button" data-part="live">Open the input</button><button type="button" data-part="delay">Measure the delay</button></div>
        <p class="lab-note">The delay is measured by a cable from this machine’s output to its input: headphones off, three short clicks are played.</p>
        <h2>Level</h2>
        <div class="lab-ear-row">${loudness("sheet")}${volume("sheet")}</div>
        <p class="lab-note">Same: each is set until both are equally loud on what you hear, within 0.1${NB}dB. True level: as the input gets them, the noise of the rig’s parts with a take; a recording and what you play live bring their own.</p>
        <p class="lab-note" data-part="level"></p>
        <h2>Kept</h2>
        <ul class="lab-ear-kept" data-part="kept"></ul>
        <div class="lab-buttons"><button type="button" data-part="keep">Keep A as B</button><button type="button" data-part="next">Next kept as B</button><button type="button" data-save="A">Save A as WAV</button><button type="button" data-save="B">Save B as WAV</button><button type="button" data-part="blind">Blind test of A and B</button></div>
        <p class="lab-note" data-part="note"></p>
        <div data-part="keys"><h2>Keys</h2>
        <dl><dt>Space</dt><dd>play, unmute or stop</dd><dt>X</dt><dd>swap A and B</dd><dt>K</dt><dd>keep A as B</dd><dt>Shift K</dt><dd>next kept as B</dd><dt>T</dt><dd>blind test of A and B</dd><dt>U, Shift U</dt><dd>undo, redo</dd><dt>1 … 9</dt><dd>go to a control</dd><dt>?</dt><dd>this list</dd><dt>Esc</dt><dd>close, or stop</dd></dl>
        <p><input type="checkbox" id="${unique}-keys" data-local><label for="${unique}-keys">Single keys work</label></p></div>
        <div class="lab-buttons"><button type="button" data-part="close">Close</button></div>
      </div>`;
    const part = (name) => bar.querySelector(`[data-part=${name}]`);
    const all = (selector) => [...bar.querySelectorAll(selector)];
    const play = part("play"), takes = bar.querySelector(`#${unique}-take`), through = bar.querySelector(`#${unique}-through`), guitar = bar.querySelector(`#${unique}-guitar`), inputs = bar.querySelector(`#${unique}-input`), outputs = bar.querySelector(`#${unique}-output`), keys = bar.querySelector(`#${unique}-keys`), sheet = part("sheet");
    const tickets = Object.fromEntries(all(".lab-ticket").map((node) => [node.dataset.letter, node]));

    // what stays from page to page
    const kept = { take: "", same: true, volume: 65, on: false, keys: true, input: "", output: "", delay: 0 };
    try {
      const found = JSON.parse(localStorage.getItem(STORE) ?? "{}");
      for (const name of Object.keys(kept)) if (typeof found?.[name] === typeof kept[name]) kept[name] = found[name];
    } catch { /* what cannot be read is as on a first visit */ }
    kept.volume = Math.min(Math.max(kept.volume, 0), 100);
    function keepFor(change) {
      Object.assign(kept, change);
      if (inLab) try { localStorage.setItem(STORE, JSON.stringify(kept)); } catch { /* a browser that keeps nothing */ }
    }

    let live = false, input = null, attempt = 0; // whether the input is what is heard, the input while it is open, and whose answer still counts
    let sound = null, state = "stopped", ended = false, silence = 0, again = 0, frame = 0, said = 0, zoneSaid = "", gains = null, levels = null, words = {}, peak = { at: -60, until: 0 }, clippedUntil = 0;
    const say = (text) => { part("said").textContent = text; part("said").hidden = !text; };
    const gainOf = (letter) => { const level = gains?.[kept.same ? 0 : 1][letter]; return level == null ? 0 : 10 ** (level / 20); };
    const loud = () => (kept.volume / 100) ** 2; // square law: even steps to the ear, silent at 0
    const hasB = () => model.get("sounds").length > 1;

    function show(next) {
      state = next;
      bar.dataset.state = next;
      const label = { stopped: "Play", starting: "Starting", muted: "Unmute", playing: "Stop", held: "Go on" }[next];
      play.firstElementChild.textContent = label;
      bar.toggleAttribute("data-live", input !== null);
      cancelAnimationFrame(frame);
      if (sounds()) tick();
      else meter(null);
    }
    const sounds = () => state === "playing" || state === "muted";
    function openSound() {
      sound = new LiveSound(new AudioContext({ sampleRate: LiveSound.RATE, latencyHint: "interactive" }));
      if (kept.output) sound.context.setSinkId?.(kept.output).catch(() => chooseOutput(""));
      sound.protected = sound.protect(() => { stop(); say("Muted, and the input is closed: the sound fed itself. Wear headphones or turn down, then play again."); });
    }
    async function begin() {
      if (state === "starting" || sounds()) return;
      say("");
      try {
        if (!sound) openSound();
      } catch {
        return say("This browser gives the page no sound output.");
      }
      sound.context.resume();
      sound.setVolume(loud());
      keepFor({ on: !live });
      if (ended) return gains && !live ? sounding() : say("There is no such sound: the calculation behind this page has stopped.");
      show("starting");
      const mine = ++attempt;
      try {
        if (live) await openInput(mine);
        else await sound.protected;
      } catch (error) {
        if (mine === attempt) { stop(); say(error.message); }
      }
      if (mine !== attempt) return;
      silence = setTimeout(() => { stop(); say("The sound has not come: the lab is busy or cannot be reached. Try again."); }, SILENT_MS);
      ask();
    }
    async function openInput(mine) {
      const opened = await LiveInput.open(sound.context, kept.input);
      showDevices(); // their names are told once one is open
      if (mine !== attempt) return opened.close();
      sound.input = opened.node;
      input = opened;
      input.lost = () => { if (input === opened) { stop(); say("The sound input has gone: connect it, then play again."); } };
      if (!await sound.protected) throw new Error("This page gets no limiter from the browser, so nothing is played live here.");
    }
    // asked again until answered: while a page opens, its line to the kernel may lose what is said
    function ask() {
      if (state !== "starting") return;
      model.send({ do: "start", ...(live ? { live: guitar.value } : { take: model.get("recording").plays ? "" : kept.take }) });
      again = setTimeout(ask, AGAIN_MS);
    }
    function sounding() {
      clearTimeout(silence);
      clearTimeout(again);
      sound.watch(live);
      if (live && state === "starting") {
        show("muted");
        return wantsDelay ? measureDelay() : sayLive();
      }
      sound.start();
      show("playing");
      if (live) say("");
      setTimeout(() => { if (sounds() && sound.context.state !== "running") say("The browser has not started its sound output: connect one, or choose another under ⋯, then play again."); }, SILENT_OUTPUT_MS);
    }
    // the input is open and muted, so that nothing goes round the cable
    let wantsDelay = false;
    async function measureDelay() {
      wantsDelay = state !== "muted";
      if (state === "playing" || state === "starting") stop();
      if (wantsDelay) { live = true; showTakes(); return begin(); }
      say("Measuring the delay: three clicks …");
      const opened = input, ms = await LoopDelay.measure(sound.context, opened.node).catch(() => null);
      if (input !== opened) return;
      keepFor({ delay: ms === null ? 0 : Math.round(10 * ms) / 10 });
      if (ms === null) return say("No click came back, so the delay is not known: join output and input by a cable, turn the input up, then measure again.");
      sayLive("Take the loop cable off before you unmute. ");
    }
    // which of this machine's inputs and outputs; a browser tells their names only to a page that has opened one
    const BROWSERS = "as the browser has it";
    async function showDevices() {
      const known = await navigator.mediaDevices?.enumerateDevices?.().catch(() => []) ?? [];
      for (const [node, kind, value] of [[inputs, "audioinput", kept.input], [outputs, "audiooutput", kept.output]]) {
        const named = known.filter((each) => each.kind === kind && each.label && !["", "default", "communications"].includes(each.deviceId));
        node.replaceChildren(new Option(BROWSERS, ""), ...named.map((each) => new Option(each.label, each.deviceId)));
        node.value = named.some((each) => each.deviceId === value) ? value : "";
      }
      outputs.parentElement.hidden = !("setSinkId" in AudioContext.prototype);
    }
    async function chooseOutput(device) {
      keepFor({ output: device, delay: 0 });
      try {
        await sound?.context.setSinkId?.(device);
      } catch {
        keepFor({ output: "" });
        say("This sound output cannot be opened: connect it, or choose another.");
      }
      showDevices();
    }
    function sayLive(first = "") {
      const delay = input ? kept.delay ? `The delay is ${kept.delay.toFixed(1)}${NB}ms by the loop cable. ` : `The delay is at least ${input.delayMs.toFixed(0)}${NB}ms by what the browser states of its output; the input adds its own. ` : "";
      part("live-band").textContent = `${delay}${model.get("live").words ?? ""}`;
      if (state === "muted") say(`Muted: press Unmute to hear it. ${first}${part("live-band").textContent}`);
    }
    function stop(after = 50) { // the sound fades before its input goes
      clearTimeout(silence);
      clearTimeout(again);
      attempt += 1;
      keepFor({ on: false });
      sound?.stop();
      sound?.watch(false);
      if (input) {
        const old = input;
        input = sound.input = null;
        if (after) setTimeout(() => old.close(), after);
        else old.close();
      }
      if (!ended) model.send({ do: "stop" });
      show("stopped");
    }
    function toggle() { if (state === "muted") sounding(); else if (state === "playing" || state === "starting") stop(); else begin(); }
    function choose(letter) {
      if (letter === "B" && !hasB()) return keepA();
      heard = letter;
      sound?.hear(letter);
      part("heard").textContent = `${letter}: ${tickets[letter].querySelector(".lab-ticket-text").textContent}`;
      showTickets();
    }
    let heard = "A";
    function swap() { if (hasB()) choose(heard === "A" ? "B" : "A"); else say("There is no B yet: keep a sound with K."); }
    function keepA() { if (model.get("keeps") && !ended) { say(""); model.send({ do: "keep" }); } }
    function blind() {
      const query = model.get("blind");
      if (query === null || !inLab) return say(hasB() ? "This pair cannot go to the blind test: a link cannot hold it." : "");
      if (!hasB()) return say("A blind test needs two sounds: keep a sound with K, then change something.");
      const take = model.get("takes").includes(takes.value) ? `&own.take=${encodeURIComponent(takes.value)}` : "";
      location.href = `listening_test.${document.documentElement.dataset.pages ?? "ipynb"}?${query}${take}`;
    }

    // what arrives: signals that are new, sides that have changed, the gain of each
    function arrived(message, buffers) {
      if (!sound) return;
      if (message.anew) sound.clear();
      const floats = (data) => new Float32Array((data.buffer ?? data).slice(data.byteOffset ?? 0, (data.byteOffset ?? 0) + data.byteLength));
      const given = buffers.map(floats), changed = Object.keys(message.sides);
      message.signals.forEach((key, place) => sound.addSignal(key, given[changed.length + place]));
      [gains, levels] = [message.gains, message.levels];
      for (const letter of ["A", "B"]) {
        if (!message.letters.includes(letter)) { sound.dropSide(letter); continue; }
        const side = message.sides[letter];
        if (side) words[letter] = side.words;
        sound.change(letter, side ? { keys: side.keys, taps: side.taps, filled: side.filled, samples: given[changed.indexOf(letter)] } : null, gainOf(letter));
      }
      if (heard === "B" && !message.letters.includes("B")) heard = "A";
      sound.hear(heard);
      if (message.anew) { sound.setVolume(loud()); sound.setTrueLevel(!kept.same); }
      bar.dataset.changes = String(Number(bar.dataset.changes ?? 0) + 1);
      if (state === "starting") sounding();
      showTickets();
    }
    function showTickets() {
      const sounds = model.get("sounds");
      for (const letter of ["A", "B"]) {
        const node = tickets[letter], one = sounds.find((each) => each.letter === letter);
        node.hidden = letter === "B" && !one && !model.get("keeps");
        node.classList.toggle("lab-empty", !one);
        node.setAttribute("aria-pressed", String(heard === letter && Boolean(one)));
        node.title = one?.full ?? "";
        node.querySelector(".lab-ticket-text").textContent = one ? one.text : "keep a sound";
        const level = one && gains && state === "playing" ? levels[kept.same ? 0 : 1][letter] : "";
        node.querySelector(".lab-ticket-level").textContent = one ? level ?? "" : "press K";
        node.setAttribute("aria-label", one ? [`${letter}: ${one.text}`, level].filter(Boolean).join(", ") : "B: keep a sound, key K");
      }
      bar.dataset.silent = state === "playing" && gains?.[0][heard] === null ? words[heard] : "";
    }
    function showKept() {
      const sounds = model.get("sounds").slice(1), list = part("kept");
      const focused = list.contains(document.activeElement) ? document.activeElement.dataset.focus : "";
      list.replaceChildren(...sounds.map((one) => {
        const item = document.createElement("li"), text = document.createElement("span");
        text.textContent = `${one.letter}: ${one.full}`;
        item.append(text);
        if (one.slot !== null && model.get("keeps")) for (const [name, label] of [["back", "Go back to it"], ["drop", "Remove"]]) {
          const button = document.createElement("button");
          button.type = "button";
          button.textContent = label;
          button.dataset.focus = `${name}-${one.slot}`;
          button.setAttribute("aria-label", `${label}: ${one.full}`);
          button.addEventListener("click", () => model.send({ do: name, slot: one.slot }));
          item.append(button);
        }
        return item;
      }));
      if (focused) (list.querySelector(`[data-focus="${focused}"]`) ?? part("keep")).focus();
      if (!sounds.length) list.innerHTML = "<li class='lab-note'>Nothing yet: keep a sound, then change something.</li>";
      part("next").hidden = sounds.length < 2 || !model.get("keeps");
      part("keep").hidden = !model.get("keeps");
      bar.querySelector("[data-save=B]").hidden = !sounds.length;
      if (heard === "B" && !sounds.length) choose("A");
      part("swap").setAttribute("aria-disabled", String(!sounds.length));
      showTickets();
    }
    function showTakes() {
      const own = model.get("recording"), chosen = live ? "live" : own.plays ? "own" : model.get("take");
      takes.replaceChildren(...model.get("takes").map((name) => new Option(name, name)));
      if (own.name) takes.append(new Option(own.name, "own"));
      takes.append(new Option(own.name ? "another recording …" : "your own recording …", "own-new"), new Option("your guitar, live …", "live"));
      takes.value = chosen;
      part("own").hidden = !own.name;
      for (const [node, value] of [[through, own.through], [guitar, guitar.value]]) {
        node.replaceChildren(...model.get("rigs").map((name) => new Option(name, name)));
        node.value = value || node.options[0]?.value || "";
      }
      part("band").textContent = own.words ?? "";
      sayLive();
    }
    function showLevel() {
      for (const input of all("input[type=radio]")) input.checked = (input.value === "same") === kept.same;
      for (const input of all("input[type=range]")) {
        input.value = kept.volume;
        input.style.setProperty("--part", kept.volume / 100);
        input.setAttribute("aria-valuetext", `${kept.volume} percent`);
      }
      part("level").textContent = model.get("said");
      part("note").textContent = model.get("note");
    }
    function meter(level) {
      const [fill, hold, lamp] = bar.querySelectorAll(".lab-meter div > *");
      const share = (db) => Math.min(Math.max((db + 60) / 60, 0), 1) * 100;
      const now = performance.now();
      if (level === null) { fill.style.width = "0"; hold.hidden = true; lamp.classList.remove("lab-clipped"); bar.querySelector(".lab-meter p").textContent = "silent"; return; }
      if (level.peak >= peak.at || now > peak.until) peak = { at: level.peak, until: now + 1500 };
      if (level.clips) clippedUntil = now + 3000;
      fill.style.width = `${share(level.rms).toFixed(1)}%`;
      hold.hidden = false;
      hold.style.left = `calc(${share(peak.at).toFixed(1)}% - 2px)`;
      lamp.classList.toggle("lab-clipped", now < clippedUntil);
      if (now - said < WORDS_MS) return;
      said = now;
      const text = (db) => `${db < -0.5 ? "−" : ""}${Math.abs(db).toFixed(0)}`;
      const zone = input && `input ${input.zone}`;
      if (zone && zone !== zoneSaid) part("heard").textContent = zoneSaid = zone;
      bar.querySelector(".lab-meter p").textContent = state === "muted" ? zone : bar.dataset.silent ? "silent" : now < clippedUntil ? "too loud: turn down" : zone ? zone : level.rms < -90 ? `${heard}, quiet` : `${heard}, ${text(level.rms)}${NB}dB, peak ${text(peak.at)}`;
      say(bar.dataset.silent ? `${heard} is silent: ${bar.dataset.silent}.` : part("said").textContent.includes("is silent:") ? "" : part("said").textContent);
    }
    function tick() {
      const given = input?.read();
      meter(state === "muted" ? given : sound.meter.read());
      frame = requestAnimationFrame(tick);
    }

    // a recording: read by the browser, one channel at the page's rate, sent in pieces that are acknowledged
    let sending = null, number = 0;
    async function take(file, back = null) { // what was kept comes back quietly
      if (!file || ended) return;
      say(`Reading ${file.name} …`);
      let samples;
      try {
        const decoded = await new OfflineAudioContext(1, 1, LiveSound.RATE).decodeAudioData(await file.arrayBuffer());
        if (decoded.duration > model.get("longest_s")) return say(`${file.name} lasts ${decoded.duration.toFixed(0)} s; the page takes ${model.get("longest_s")} s: cut it first.`);
        samples = new Float32Array(decoded.length);
        for (let channel = 0; channel < decoded.numberOfChannels; channel++) decoded.getChannelData(channel).forEach((value, place) => { samples[place] += value / decoded.numberOfChannels; });
      } catch {
        return say(`${file.name} is not a recording this browser can read; a WAV or FLAC file is due.`);
      }
      say("");
      sending = { bytes: new Uint8Array(samples.buffer), name: file.name, number: ++number, file, back };
      model.send({ do: "file-begin", number, name: file.name.slice(-200), size: sending.bytes.length });
    }
    function step(answer) {
      if (!sending || answer.number !== sending.number) return;
      if (answer.refused) { sending = null; return say(answer.refused); }
      if (answer.done) {
        const { file, back } = sending;
        sending = null;
        if (!back) {
          KeptFiles.put(OWN, OWN, file, { name: file.name, plays: true });
          if (sheet.hidden) open(true); // where it is open, the focus stays where it is
          return;
        }
        if (back.through && model.get("rigs").includes(back.through)) model.send({ do: "through", name: back.through });
        if (!back.plays) model.send({ do: "take", name: kept.take || model.get("takes")[0] });
        return;
      }
      if (answer.received >= sending.bytes.length) return model.send({ do: "file-end", number: sending.number });
      const piece = sending.bytes.slice(answer.received, answer.received + model.get("piece")).buffer;
      model.send({ do: "file-piece", number: sending.number }, {}, [piece]);
    }
    function pick() {
      const input = document.createElement("input");
      input.type = "file";
      input.accept = ".wav,.flac,audio/wav,audio/flac,audio/x-wav";
      input.addEventListener("change", () => take(input.files[0]));
      input.click();
    }
    function save(message, buffers) {
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([buffers[0]], { type: "audio/wav" }));
      link.download = `${message.saved.toLowerCase().replace(/\.wav$|\.flac$/, "").replace(/[^a-z0-9]+/g, "-").slice(0, 80)}.wav`;
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 10000);
      say(`Saved ${link.download}.`);
    }

    function open(wanted, first = part("choose")) {
      sheet.hidden = !wanted;
      part("more").setAttribute("aria-expanded", String(wanted));
      if (wanted) first.focus();
      else if (sheet.contains(document.activeElement) || document.activeElement === document.body) part("more").focus();
    }
    function changeVolume(value) {
      keepFor({ volume: Number(value) });
      sound?.setVolume(loud());
      showLevel();
    }
    function changeSame(same) {
      keepFor({ same });
      if (gains) for (const letter of ["A", "B"]) if (sound.sides[letter].branch) sound.change(letter, null, gainOf(letter));
      sound?.setTrueLevel(!same);
      showLevel();
      showTickets();
    }

    play.addEventListener("click", toggle);
    part("swap").addEventListener("click", swap);
    for (const [letter, node] of Object.entries(tickets)) node.addEventListener("click", () => choose(letter));
    for (const node of all("[data-part=blind]")) node.addEventListener("click", blind);
    part("more").addEventListener("click", () => open(sheet.hidden));
    part("close").addEventListener("click", () => { open(false); part("more").focus(); });
    part("choose").addEventListener("click", pick);
    part("keep").addEventListener("click", keepA);
    part("next").addEventListener("click", () => model.send({ do: "next" }));
    for (const node of all("[data-save]")) node.addEventListener("click", () => { say("Making the file …"); model.send({ do: "save", letter: node.dataset.save, same: kept.same }); });
    for (const node of all("input[type=radio]")) node.addEventListener("change", () => changeSame(node.value === "same"));
    for (const node of all("input[type=range]")) node.addEventListener("input", () => changeVolume(node.value));
    takes.addEventListener("change", () => {
      const value = takes.value;
      if (value === "own-new") { showTakes(); open(true); return; }
      if (value === "live" || live) stop();
      live = value === "live";
      if (live) return open(true, guitar);
      if (value !== "own") keepFor({ take: value });
      KeptFiles.note(OWN, OWN, { plays: value === "own" });
      if (sound?.isPlaying) sound.ramp(sound.out.gain, 0, 0.015); // what comes next starts from silence
      model.send(value === "own" ? { do: "own" } : { do: "take", name: value });
    });
    guitar.addEventListener("change", () => {
      if (!input) return;
      sound.ramp(sound.out.gain, 0, 0.015);
      model.send({ do: "start", live: guitar.value });
    });
    inputs.addEventListener("change", () => {
      keepFor({ input: inputs.value, delay: 0 });
      if (input) { stop(); begin(); }
    });
    outputs.addEventListener("change", () => chooseOutput(outputs.value));
    part("delay").addEventListener("click", measureDelay);
    part("live").addEventListener("click", () => { if (!live) stop(); live = true; showTakes(); open(false); play.focus(); begin(); });
    through.addEventListener("change", () => {
      KeptFiles.note(OWN, OWN, { through: through.value });
      model.send({ do: "through", name: through.value });
    });
    keys.checked = kept.keys;
    keys.addEventListener("change", () => keepFor({ keys: keys.checked }));
    for (const name of ["dragenter", "dragover"]) bar.addEventListener(name, (event) => { event.preventDefault(); bar.classList.add("lab-over"); });
    for (const name of ["dragleave", "drop"]) bar.addEventListener(name, () => bar.classList.remove("lab-over"));
    bar.addEventListener("drop", (event) => { event.preventDefault(); take(event.dataTransfer.files[0]); });

    // single keys act nowhere where somebody types, and can be switched off (WCAG 2.1.4)
    const TYPES = "textarea, select, [contenteditable=true], input:not([type=range], [type=radio], [type=checkbox], [type=button])";
    const PRESSES = "button, a, summary, input[type=radio], input[type=checkbox], [role=button], [role=slider]";
    function goTo(place) {
      const rows = [...document.querySelectorAll(".lab-row[data-key]")].filter((row) => row.offsetParent);
      const row = rows[place - 1];
      (row?.querySelector("input[type=range], select, input:checked") ?? row?.querySelector("input, button"))?.focus();
    }
    function key(event) {
      if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented || bar.hidden) return;
      const target = event.target;
      if (event.key === "Escape") {
        if (!sheet.hidden) { open(false); part("more").focus(); }
        else if (state === "starting" || sounds()) stop();
        return;
      }
      if (target.matches?.(TYPES) || event.repeat) return;
      if (event.key === " ") { if (!target.matches?.(PRESSES)) { event.preventDefault(); toggle(); } return; }
      if (!kept.keys) return;
      const work = { x: swap, k: () => (event.shiftKey ? model.get("keeps") && !ended && model.send({ do: "next" }) : keepA()), t: blind, u: () => !ended && model.send({ do: event.shiftKey ? "redo" : "undo" }), "?": () => open(sheet.hidden, keys) }[event.key.toLowerCase()];
      if (work) { event.preventDefault(); work(); }
      else if (/^[1-9]$/.test(event.key)) { event.preventDefault(); goTo(Number(event.key)); }
    }
    if (inLab) document.addEventListener("keydown", key);
    else part("keys").hidden = true;

    const leave = () => { if (input || live && state === "starting") stop(0); };
    addEventListener("pagehide", leave);
    navigator.mediaDevices?.addEventListener?.("devicechange", showDevices);
    function away() {
      const hidden = model.get("is_away");
      if (hidden && state !== "stopped") stop();
      bar.hidden = hidden;
      size();
    }
    const size = () => { if (inLab) document.documentElement.style.setProperty("--bar-height", bar.hidden ? "0px" : `${bar.offsetHeight}px`); };
    const watch = new ResizeObserver(size);
    watch.observe(bar);
    function message(content, buffers) {
      if (content.sides) arrived(content, buffers);
      else if (content.saved) save(content, buffers);
      else if (content.failed) { if (state === "starting") stop(); say(content.failed.endsWith(".") ? content.failed : `${content.failed}.`); }
      else step(content);
    }
    function end() {
      ended = true;
      for (const node of [takes, through, ...all("[data-part=keep], [data-part=next], [data-part=choose], [data-save]")]) node.disabled = true;
      if (state === "starting") { stop(); say("There is no such sound: the calculation behind this page has stopped."); }
    }
    const listeners = { "change:sounds": showKept, "change:keeps": showKept, "change:take": showTakes, "change:takes": showTakes, "change:rigs": showTakes, "change:recording": showTakes, "change:live": showTakes, "change:said": showLevel, "change:note": showLevel, "change:is_away": away, "msg:custom": message };
    for (const [name, work] of Object.entries(listeners)) model.on(name, work);
    document.addEventListener("lab-ended", end);
    for (const node of all("[data-part=blind]")) node.hidden = !inLab || (model.get("blind") === null && !model.get("keeps"));
    show("stopped");
    showTakes();
    showDevices();
    showLevel();
    showKept();
    away();
    if (inLab && model.get("takes").includes(kept.take) && kept.take !== model.get("take")) model.send({ do: "take", name: kept.take });
    KeptFiles.whenOpened(async () => {
      for (const one of await KeptFiles.all(OWN)) take(new File([one.file], one.name), one);
    });
    if (inLab && kept.on && !bar.hidden) {
      // the last page was playing: go on if the browser lets a page begin by itself, else say so on Play
      openSound();
      if (sound.context.state === "running") begin();
      else { show("held"); sound.context.resume().then(() => { if (state === "held") begin(); }); }
    }
    return () => {
      for (const [name, work] of Object.entries(listeners)) model.off(name, work);
      document.removeEventListener("lab-ended", end);
      document.removeEventListener("keydown", key);
      removeEventListener("pagehide", leave);
      navigator.mediaDevices?.removeEventListener?.("devicechange", showDevices);
      leave();
      clearTimeout(silence);
      cancelAnimationFrame(frame);
      watch.disconnect();
      sound?.context.close();
      bar.remove();
    };
  },
};
