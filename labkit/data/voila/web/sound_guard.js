// What keeps every sound of the page below a level, and mutes an input that hears itself. It runs in the audio thread,
// so it still does when the page is busy. As text it is a module of its own: it uses nothing from outside.
function soundGuard() {
  const RELEASE_S = 0.1, FADE_S = 0.02, BLOCK_S = 0.05, BLOCKS = 10, NEAR = 0.9, STEADY = 10 ** (0.5 / 20);
  registerProcessor("sound-guard", class extends AudioWorkletProcessor {
    static get parameterDescriptors() { return [{ name: "watch", defaultValue: 0, automationRate: "k-rate" }]; }
    constructor(options) {
      super();
      this.limit = options.processorOptions.limit;
      this.gain = this.open = 1;
      this.muted = false;
      this.blocks = [];
      this.count = this.before = this.after = 0;
    }
    process([given], [made], { watch }) {
      const release = 1 - Math.exp(-1 / (RELEASE_S * sampleRate)), fade = 1 / (FADE_S * sampleRate), frames = made[0].length;
      if (!watch[0]) { this.muted = false; this.blocks.length = 0; }
      for (let at = 0; at < frames; at++) {
        let peak = 0;
        for (const channel of given) peak = Math.max(peak, Math.abs(channel[at]));
        this.gain = this.gain > 0.9999 ? 1 : this.gain + (1 - this.gain) * release;
        if (peak * this.gain > this.limit) this.gain = this.limit / peak; // at once: nothing is delayed, nothing gets through
        this.open = this.muted ? Math.max(this.open - fade, 0) : Math.min(this.open + fade, 1);
        for (let place = 0; place < given.length; place++) made[place][at] = given[place][at] * this.gain * this.open;
        this.before = Math.max(this.before, peak);
        this.after = Math.max(this.after, peak * this.gain);
      }
      this.count += frames;
      if (this.count >= BLOCK_S * sampleRate) this.judge(watch[0]);
      return true;
    }
    // A howl holds the limit and does not swell or die away, as whatever is plucked does.
    judge(watched) {
      if (this.after > NEAR * this.limit) this.blocks.push(this.before);
      else this.blocks.length = 0;
      this.count = this.before = this.after = 0;
      if (this.blocks.length > BLOCKS) this.blocks.shift();
      if (!watched || this.muted || this.blocks.length < BLOCKS) return;
      if (Math.max(...this.blocks) > STEADY * Math.min(...this.blocks)) return;
      this.muted = true;
      this.port.postMessage("howl");
    }
  });
}
