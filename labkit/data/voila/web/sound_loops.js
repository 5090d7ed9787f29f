// Sounds of one length, looped and locked together; switching cross-fades in 15 ms and keeps the place.
function readPcmWav(view) {
  const name = (at) => String.fromCharCode(view.getUint8(at), view.getUint8(at + 1), view.getUint8(at + 2), view.getUint8(at + 3));
  let at = 12, rate = 48000, channels = 1, bits = 16;
  while (at + 8 <= view.byteLength) {
    const size = view.getUint32(at + 4, true);
    if (name(at) === "fmt ") { channels = view.getUint16(at + 10, true); rate = view.getUint32(at + 12, true); bits = view.getUint16(at + 22, true); }
    if (name(at) === "data" && (bits === 16 || bits === 24)) {
      const bytes = bits / 8, count = Math.floor(Math.min(size, view.byteLength - at - 8) / bytes / channels);
      const samples = new Float32Array(count);
      for (let index = 0; index < count; index++) {
        const place = at + 8 + bytes * index * channels;
        samples[index] = bits === 16 ? view.getInt16(place, true) / 32768 : (view.getUint16(place, true) + 65536 * view.getInt8(place + 2)) / 8388608;
      }
      return { samples, rate };
    }
    at += 8 + size + (size % 2);
  }
  return null;
}

class SoundLoops {
  constructor() {
    this.FADE_S = 0.015;
    this.context = null;
    this.files = [];
    this.voices = [];
    this.shown = 0;
    this.startedAt = 0;
    this.loudness = 0.0625;
  }
  get isPlaying() { return this.voices.length > 0; }
  setFiles(views) {
    const went = this.isPlaying;
    this.stop();
    this.files = views;
    return went;
  }
  setLoudness(value) {
    this.loudness = value;
    if (this.master) this.master.gain.setTargetAtTime(value, this.context.currentTime, 0.02);
  }
  fade(gain, to) {
    const time = this.context.currentTime;
    gain.gain.cancelScheduledValues(time);
    gain.gain.setValueAtTime(gain.gain.value, time);
    gain.gain.linearRampToValueAtTime(to, time + this.FADE_S);
  }
  play(index) {
    if (!this.files.length) return;
    this.shown = index;
    if (this.isPlaying) return this.voices.forEach((voice, place) => this.fade(voice.gain, place === index ? 1 : 0));
    this.context ??= new AudioContext();
    this.context.resume();
    if (!this.master) { this.master = this.context.createGain(); this.master.connect(this.context.destination); }
    this.master.gain.value = this.loudness;
    this.startedAt = this.context.currentTime + 0.01;
    for (const view of this.files) {
      const sound = readPcmWav(view);
      const buffer = this.context.createBuffer(1, sound.samples.length, sound.rate);
      buffer.copyToChannel(sound.samples, 0);
      const source = this.context.createBufferSource(), gain = this.context.createGain();
      source.buffer = buffer;
      source.loop = true;
      gain.gain.value = 0;
      source.connect(gain).connect(this.master);
      source.start(this.startedAt);
      this.voices.push({ source, gain, seconds: buffer.duration });
    }
    this.fade(this.voices[index].gain, 1);
  }
  stop() {
    for (const voice of this.voices) { this.fade(voice.gain, 0); voice.source.stop(this.context.currentTime + 2 * this.FADE_S); }
    this.voices = [];
  }
  close() { this.stop(); this.context?.close(); }
}
