// A deck with its signals, connected to the monitor; decoded when it is first asked to play.

import { Deck } from "./deck.js";
import { audioContext, monitorInput, takeOver } from "./monitor.js";
import { loadSignals } from "./signals.js";

export class Loop {
  constructor(entry, onChange = () => {}) {
    this.entry = entry;
    this.onChange = onChange;
    this.signals = null;
    this.deck = null;
  }

  get isPlaying() {
    return Boolean(this.deck?.isPlaying);
  }

  async load() {
    this.loading ??= loadSignals(this.entry);
    this.signals = await this.loading;
    return this.signals;
  }

  async play(view, take) {
    const context = audioContext(this.entry.rate_hz);
    const { views, ceiling, nFrames } = await this.load();
    takeOver(this);
    if (this.deck?.context !== context) {
      const level = context.createGain();
      level.gain.value = ceiling;
      level.connect(monitorInput());
      this.deck = new Deck(context, level, nFrames);
    }
    this.deck.play(views[view][take]);
    this.onChange();
  }

  pause() {
    if (this.isPlaying) this.deck.stop();
    this.onChange();
  }

  seek(seconds) {
    this.deck?.seek(Math.round(seconds * this.entry.rate_hz));
  }

  get position() {
    return this.isPlaying ? this.deck.frameAt(this.deck.context.currentTime) / this.deck.nFrames : 0;
  }
}
