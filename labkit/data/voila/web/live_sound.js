// A and B as the page convolves them: signals that loop in step, a response a side, changes that cross-fade.
// Everything is scheduled on the context's own clock, so that an offline context renders what a person would hear.
class LiveSound {
  static RATE = 48000;
  static FADE_S = 0.03; // from one response to the next, linear: both hold the same signal
  static SWAP_S = 0.015;
  static AHEAD_S = 0.003;
  static LIMIT = 0.7; // of full scale: nothing louder leaves the page
  static INPUT = "input"; // the signal that is played live
  static NOISE = "noise"; // white, made here: each side's response turns it into the noise of its rig
  static NOISE_S = 5;

  constructor(context, later = (seconds, work) => setTimeout(work, 1000 * seconds)) {
    this.context = context;
    this.later = later;
    this.out = new GainNode(context, { gain: 0 });
    this.meter = new LevelMeter(context);
    this.out.connect(this.meter.node).connect(context.destination);
    this.guard = null;
    this.noise = new GainNode(context, { gain: 0 }); // open at true level
    this.input = null; // a node, while somebody plays live
    this.signals = new Map(); // key -> { buffer, source }
    this.sides = {};
    for (const letter of ["A", "B"]) {
      const gate = new GainNode(context, { gain: letter === "A" ? 1 : 0 });
      gate.connect(this.out);
      this.sides[letter] = { gate, branch: null, busyUntil: 0, waiting: null };
    }
    this.heard = "A";
    this.volume = 0;
    this.startedAt = null;
  }
  get isPlaying() { return this.startedAt !== null; }
  source(key) {
    if (key === LiveSound.NOISE) return this.noise;
    return key === LiveSound.INPUT ? this.input : this.signals.get(key)?.source ?? null;
  }
  setTrueLevel(isTrue) { this.ramp(this.noise.gain, isTrue ? 1 : 0, LiveSound.FADE_S); }
  static whiteNoise() { // Gaussian, of variance 1 (Box and Muller)
    const samples = new Float32Array(LiveSound.NOISE_S * LiveSound.RATE);
    for (let at = 0; at < samples.length; at += 2) {
      const size = Math.sqrt(-2 * Math.log(1 - Math.random())), angle = 2 * Math.PI * Math.random();
      samples[at] = size * Math.cos(angle);
      samples[at + 1] = size * Math.sin(angle);
    }
    return samples;
  }

  // Puts the guard behind everything. False where the browser gives the page no audio worklet, as over plain http under
  // another host name: then nothing can be played live, and takes go on without a limiter.
  async protect(howled) {
    const address = URL.createObjectURL(new Blob([`(${soundGuard})()`], { type: "text/javascript" }));
    try {
      await this.context.audioWorklet.addModule(address);
    } catch {
      return false;
    } finally {
      URL.revokeObjectURL(address);
    }
    this.guard = new AudioWorkletNode(this.context, "sound-guard", { processorOptions: { limit: LiveSound.LIMIT } });
    this.guard.port.onmessage = howled;
    this.out.disconnect();
    this.out.connect(this.guard).connect(this.meter.node);
    this.meter.full = 0.999 * LiveSound.LIMIT;
    return true;
  }
  watch(wanted) { // what is muted opens again when the fade of stop() is over
    const param = this.guard?.parameters.get("watch"), now = this.context.currentTime;
    param?.cancelScheduledValues(now).setValueAtTime(wanted ? 1 : 0, wanted ? now : now + 0.05);
  }

  addSignal(key, samples) {
    const buffer = this.context.createBuffer(1, samples.length, LiveSound.RATE);
    buffer.copyToChannel(samples, 0);
    this.signals.get(key)?.source?.disconnect();
    this.signals.set(key, { buffer, source: null });
    if (this.isPlaying) this.begin(key);
  }
  clear() { // another take: nothing of the old one goes on
    for (const letter of ["A", "B"]) this.dropSide(letter);
    for (const { source } of this.signals.values()) { source?.stop(); source?.disconnect(); }
    this.signals.clear();
    if (this.isPlaying) this.startedAt = this.context.currentTime;
  }
  begin(key) {
    const signal = this.signals.get(key), now = this.context.currentTime;
    signal.source = new AudioBufferSourceNode(this.context, { buffer: signal.buffer, loop: true });
    if (key === LiveSound.NOISE) signal.source.connect(this.noise);
    const at = Math.max(now, this.startedAt);
    signal.source.start(at, (at - this.startedAt) % signal.buffer.duration);
  }
  start() {
    if (this.isPlaying) return;
    this.startedAt = this.context.currentTime + LiveSound.AHEAD_S;
    for (const key of this.signals.keys()) this.begin(key);
    for (const letter of ["A", "B"]) for (const [key, node] of this.sides[letter].branch?.nodes ?? []) this.source(key)?.connect(node);
    this.ramp(this.out.gain, this.volume, 0.02);
  }
  stop() {
    if (!this.isPlaying) return;
    this.startedAt = null;
    this.ramp(this.out.gain, 0, 0.02);
    const old = [...this.signals.values()].map((signal) => signal.source);
    for (const signal of this.signals.values()) signal.source = null;
    for (const source of old) source?.stop(this.context.currentTime + 0.05);
  }
  setVolume(value) {
    this.volume = value;
    if (this.isPlaying) this.ramp(this.out.gain, value, 0.02);
  }
  ramp(param, to, seconds, at = this.context.currentTime) {
    param.cancelScheduledValues(at);
    param.setValueAtTime(param.value, at);
    param.linearRampToValueAtTime(to, at + seconds);
  }
  hear(letter) {
    this.heard = letter;
    for (const each of ["A", "B"]) this.ramp(this.sides[each].gate.gain, each === letter ? 1 : 0, LiveSound.SWAP_S);
  }

  // A change is under way until its fade has ended; of those that come meanwhile only the newest waits.
  change(letter, response, gain) {
    const side = this.sides[letter], now = this.context.currentTime;
    if (now < side.busyUntil) {
      const first = side.waiting === null;
      side.waiting = { response: response ?? side.waiting?.response ?? null, gain };
      if (first) this.later(side.busyUntil - now + 0.001, () => {
        const waiting = side.waiting;
        side.waiting = null;
        if (waiting) this.change(letter, waiting.response, waiting.gain);
      });
      return;
    }
    if (response) this.fadeTo(side, response, gain);
    else if (side.branch && side.branch.level !== gain) {
      this.ramp(side.branch.gain.gain, gain, LiveSound.FADE_S);
      side.branch.level = gain;
      side.busyUntil = now + LiveSound.FADE_S;
    }
  }
  dropSide(letter) {
    const side = this.sides[letter];
    side.waiting = null;
    side.busyUntil = 0;
    if (side.branch) this.release(side.branch, this.context.currentTime);
    side.branch = null;
  }
  fadeTo(side, response, gain) {
    const { context } = this, now = context.currentTime, old = side.branch;
    const branch = { nodes: new Map(), gain: new GainNode(context, { gain: 0 }), level: gain };
    branch.gain.connect(side.gate);
    const wait = response.filled ?? response.taps; // samples of the signals' responses; that of noise may be longer
    response.keys.forEach((key, row) => {
      if (key === LiveSound.NOISE && !this.signals.has(key)) this.addSignal(key, this.white ??= LiveSound.whiteNoise());
      const start = row * response.taps, taps = key === LiveSound.NOISE ? response.taps : wait;
      const buffer = context.createBuffer(1, taps, LiveSound.RATE);
      buffer.copyToChannel(response.samples.subarray(start, start + taps), 0);
      const node = new ConvolverNode(context, { disableNormalization: true, buffer });
      node.connect(branch.gain);
      this.source(key)?.connect(node);
      branch.nodes.set(key, node);
    });
    // the new response has heard its own length of the signal before it is let through; noise need not wait for its tail
    const filled = old && this.isPlaying ? wait / LiveSound.RATE : 0;
    const at = now + filled + LiveSound.AHEAD_S, seconds = LiveSound.FADE_S;
    branch.gain.gain.setValueAtTime(0, at);
    branch.gain.gain.linearRampToValueAtTime(gain, at + seconds);
    if (old) {
      old.gain.gain.setValueAtTime(old.level, at);
      old.gain.gain.linearRampToValueAtTime(0, at + seconds);
      this.release(old, at + seconds);
    }
    side.branch = branch;
    side.busyUntil = at + seconds;
    this.lastChange = { at, until: at + seconds };
  }
  release(branch, at) {
    this.later(Math.max(at - this.context.currentTime, 0) + 0.02, () => {
      for (const [key, node] of branch.nodes) {
        try { this.source(key)?.disconnect(node); } catch { /* its source has gone already */ }
        node.disconnect();
      }
      branch.gain.disconnect();
    });
  }
}
// The level of what passes, dB of full scale.
class LevelMeter {
  constructor(context) {
    this.node = new AnalyserNode(context, { fftSize: 2048, smoothingTimeConstant: 0 });
    this.full = 1; // from here it clips, or is held back
  }
  read() {
    const samples = this.samples ??= new Float32Array(this.node.fftSize);
    this.node.getFloatTimeDomainData(samples);
    let power = 0, peak = 0;
    for (const value of samples) { power += value * value; peak = Math.max(peak, Math.abs(value)); }
    return { rms: 10 * Math.log10(power / samples.length + 1e-12), peak: 20 * Math.log10(peak + 1e-6), clips: peak >= this.full };
  }
}
