// The sound input of this machine, played live: opened without the browser's processing, brought to one channel,
// measured, released. Nothing of it is kept or sent.
class LiveInput {
  static PROCESSING = { echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "automatic gain" };
  static REFUSED = {
    NotAllowedError: "The browser does not let this page use the microphone: allow it for this address, then play again.",
    NotFoundError: "There is no microphone or other sound input on this machine: connect one, then play again.",
    NotReadableError: "The sound input cannot be opened: another program may be using it.",
    OverconstrainedError: "The chosen sound input is not connected: connect it, or choose another, then play again.",
  };
  static HELD_MS = 1500;
  static QUIET_DB = -30; // peaks of playing; common practice, no source
  static FULL_DB = -0.5;

  // Resolves to the open input; throws an Error whose message is a sentence for the player.
  static async open(context, device = "") {
    if (!navigator.mediaDevices?.getUserMedia || !context.audioWorklet) throw new Error("Here the browser gives a page no sound input: open the lab as 127.0.0.1 or localhost on this machine, or by https.");
    const names = Object.keys(LiveInput.PROCESSING);
    const wanted = { ...Object.fromEntries(names.map((name) => [name, false])), channelCount: { ideal: 2 }, latency: { ideal: 0 }, ...(device ? { deviceId: { exact: device } } : {}) };
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: wanted });
    } catch (error) {
      throw new Error(LiveInput.REFUSED[error.name] ?? `The sound input cannot be opened (${error.name}).`);
    }
    const settings = stream.getAudioTracks()[0].getSettings(), on = names.filter((name) => settings[name] !== false);
    try {
      if (on.length) throw new Error(`The browser does not switch off ${on.map((name) => LiveInput.PROCESSING[name]).join(" and ")} of this input, which changes the sound: take another input or browser.`);
      return new LiveInput(context, stream);
    } catch (error) {
      stream.getTracks().forEach((track) => track.stop());
      throw error.name === "NotSupportedError" ? new Error(`This browser does not bring the sound input to ${context.sampleRate} samples a second: set the input to that, or take another browser.`) : error;
    }
  }
  constructor(context, stream) {
    this.context = context;
    this.stream = stream;
    this.source = new MediaStreamAudioSourceNode(context, { mediaStream: stream });
    // the guitar is in one of two channels, or in both: they are added
    const channels = new ChannelSplitterNode(context, { numberOfOutputs: 2 });
    this.node = new GainNode(context);
    this.source.connect(channels);
    for (const channel of [0, 1]) channels.connect(this.node, channel);
    this.meter = new LevelMeter(context);
    this.node.connect(this.meter.node);
    this.held = { peak: -Infinity, until: 0 };
  }
  set lost(work) { this.stream.getAudioTracks()[0].addEventListener("ended", work); } // unplugged, or no longer allowed
  get delayMs() { return 1000 * (this.context.baseLatency + (this.context.outputLatency || 0)); }
  read() {
    const level = this.meter.read(), now = performance.now();
    if (level.peak >= this.held.peak || now > this.held.until) this.held = { peak: level.peak, until: now + LiveInput.HELD_MS };
    return level;
  }
  get zone() {
    return this.held.peak >= LiveInput.FULL_DB ? "clipping" : this.held.peak < LiveInput.QUIET_DB ? "too quiet" : "good";
  }
  close() {
    this.stream.getTracks().forEach((track) => track.stop());
    this.source.disconnect();
    this.node.disconnect();
  }
}

// The whole delay from output to input, by a cable between the two: three short bursts of noise are played and looked for
// in what comes back. What is sent and what comes in are kept by the same audio thread, so its clock is the only one.
class LoopDelay {
  static LEVEL = 0.1; // -20 dB of full scale, for 10 ms
  static BURST = 480;
  static STARTS_S = [0.2, 0.7, 1.2];
  static LONGEST_S = 0.4;
  static SURE = 8; // times the rest of the correlation; noise alone reaches 5
  static AGREE_MS = 1;
  static TAP = `registerProcessor("loop-tap", class extends AudioWorkletProcessor {
    constructor(options) { super(); this.left = options.processorOptions.frames; this.kept = [[], []]; }
    process(inputs) {
      if (this.left <= 0) return false;
      inputs.forEach((input, place) => this.kept[place].push(input[0] ? input[0].slice() : new Float32Array(128)));
      this.left -= 128;
      if (this.left <= 0) this.port.postMessage(this.kept);
      return this.left > 0;
    }
  })`;

  static burst() { // the same every time, as flat as noise
    let state = 1;
    return Float32Array.from({ length: LoopDelay.BURST }, () => { state = (1103515245 * state + 12345) % 2147483648; return state < 1073741824 ? -1 : 1; });
  }
  // How many samples after `start` the burst begins in what was heard, or null where it is not there.
  static lag(heard, start, burst, longest) {
    let most = 0, at = 0, power = 0;
    for (let lag = 0; lag < longest; lag++) {
      let sum = 0;
      for (let place = 0; place < burst.length; place++) sum += (heard[start + lag + place] ?? 0) * burst[place];
      power += sum * sum;
      if (Math.abs(sum) > most) { most = Math.abs(sum); at = lag; }
    }
    const rest = Math.sqrt(Math.max(power - most * most, 0) / longest);
    return most > 0 && most > LoopDelay.SURE * rest ? at : null;
  }
  // The delay in ms: the middle of three, two of which agree at least; null where nothing came back.
  static found(sent, heard, rate) {
    const burst = LoopDelay.burst(), lags = [];
    for (let at = 0; at < sent.length; at++) {
      if (!sent[at]) continue;
      const lag = LoopDelay.lag(heard, at, burst, LoopDelay.LONGEST_S * rate);
      if (lag !== null) lags.push(1000 * lag / rate);
      at += burst.length;
    }
    lags.sort((one, other) => one - other);
    const pairs = lags.slice(1).map((lag, place) => [lag - lags[place], lag]).filter(([apart]) => apart <= LoopDelay.AGREE_MS);
    return pairs.length ? pairs[0][1] : null;
  }
  static async measure(context, input) {
    const address = URL.createObjectURL(new Blob([LoopDelay.TAP], { type: "text/javascript" }));
    if (!context.hasLoopTap) await context.audioWorklet.addModule(address).finally(() => URL.revokeObjectURL(address));
    context.hasLoopTap = true;
    const rate = context.sampleRate, seconds = LoopDelay.STARTS_S.at(-1) + LoopDelay.LONGEST_S + 0.2;
    const buffer = context.createBuffer(1, Math.round(seconds * rate), rate), samples = buffer.getChannelData(0), burst = LoopDelay.burst();
    for (const start of LoopDelay.STARTS_S) burst.forEach((value, place) => { samples[Math.round(start * rate) + place] = LoopDelay.LEVEL * value; });
    const click = new AudioBufferSourceNode(context, { buffer });
    const tap = new AudioWorkletNode(context, "loop-tap", { numberOfInputs: 2, processorOptions: { frames: buffer.length } });
    const kept = new Promise((resolve) => { tap.port.onmessage = (event) => resolve(event.data); });
    click.connect(tap, 0, 0);
    click.connect(context.destination);
    input.connect(tap, 0, 1);
    tap.connect(context.destination); // it is silent, and asked for its samples only so
    click.start();
    const [sent, heard] = (await kept).map((blocks) => Float32Array.from(blocks.flatMap((block) => [...block])));
    input.disconnect(tap);
    click.disconnect();
    tap.disconnect();
    return LoopDelay.found(sent, heard, rate);
  }
}
