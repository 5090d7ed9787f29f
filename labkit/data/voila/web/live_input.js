// The sound input of this machine, played live: opened without the browser's processing, brought to one channel,
// measured, released. Nothing of it is kept or sent.
class LiveInput {
  static PROCESSING = { echoCancellation: "echo cancellation", noiseSuppression: "noise suppression", autoGainControl: "automatic gain" };
  static REFUSED = {
    NotAllowedError: "The browser does not let this page use the microphone: allow it for this address, then play again.",
    NotFoundError: "There is no microphone or other sound input on this machine: connect one, then play again.",
    NotReadableError: "The sound input cannot be opened: another program may be using it.",
  };
  static HELD_MS = 1500;
  static QUIET_DB = -30; // peaks of playing; common practice, no source
  static FULL_DB = -0.5;

  // Resolves to the open input; throws an Error whose message is a sentence for the player.
  static async open(context) {
    if (!navigator.mediaDevices?.getUserMedia || !context.audioWorklet) throw new Error("Here the browser gives a page no sound input: open the lab as 127.0.0.1 or localhost on this machine, or by https.");
    const names = Object.keys(LiveInput.PROCESSING);
    const wanted = { ...Object.fromEntries(names.map((name) => [name, false])), channelCount: { ideal: 2 }, latency: { ideal: 0 } };
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
