// Plays one loop of many signals: whatever comes next goes on from the same frame of the loop.

export const FADE_S = 0.02;

export class Deck {
  constructor(context, destination, nFrames) {
    this.context = context;
    this.destination = destination;
    this.nFrames = nFrames;
    this.originFrame = 0; // of the context's time line: where the loop's first frame lies
    this.voice = null;
  }

  get isPlaying() {
    return this.voice !== null;
  }

  // The loop's frame that sounds at a time of the context.
  frameAt(time) {
    const frame = Math.round(time * this.context.sampleRate) - this.originFrame;
    return ((frame % this.nFrames) + this.nFrames) % this.nFrames;
  }

  // Starts a signal, or cross-fades to it, at a time of the context.
  play(buffer, at = this.soon()) {
    const startFrame = Math.ceil(at * this.context.sampleRate - 1e-6);
    const startTime = startFrame / this.context.sampleRate;
    if (!this.voice) this.originFrame = startFrame;
    this.fadeOut(startTime);
    this.voice = this.fadedIn(buffer, startTime, this.frameAt(startTime));
  }

  // Goes on from another frame of the loop.
  seek(frame, at = this.soon()) {
    const startFrame = Math.ceil(at * this.context.sampleRate - 1e-6);
    this.originFrame = startFrame - frame;
    if (!this.voice) return;
    const { buffer } = this.voice.source;
    this.play(buffer, startFrame / this.context.sampleRate);
  }

  stop(at = this.soon()) {
    this.fadeOut(at);
    this.voice = null;
  }

  soon() {
    return this.context.currentTime + 0.005;
  }

  fadedIn(buffer, time, frame) {
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    source.loop = true;
    // Two gains in series: a fade-out may begin before the fade-in has ended, and stays smooth.
    const rise = this.context.createGain();
    const fall = this.context.createGain();
    rise.gain.setValueAtTime(0, time);
    rise.gain.linearRampToValueAtTime(1, time + FADE_S);
    source.connect(rise).connect(fall).connect(this.destination);
    source.start(time, frame / this.context.sampleRate);
    return { source, fall };
  }

  fadeOut(time) {
    if (!this.voice) return;
    const { source, fall } = this.voice;
    fall.gain.setValueAtTime(1, time);
    fall.gain.linearRampToValueAtTime(0, time + FADE_S);
    source.stop(time + 2 * FADE_S);
  }
}
