// The drive ladder: the same passage at rising drive; the listener marks where they first hear it.

import { Loop } from "./loop.js";
import { saveJson } from "./save.js";

export class LadderPanel {
  constructor(element, entry) {
    this.element = element;
    this.entry = entry;
    this.mark = undefined; // a drive in dB, null where nothing is heard, undefined before
    this.loop = new Loop(entry, () => this.show());
    this.find(".play").addEventListener("click", () => this.toggle());
    this.find(".hear-it").addEventListener("click", () => this.marked(this.rung.drive_db));
    this.find(".hear-nothing").addEventListener("click", () => this.marked(null));
    this.find(".save").addEventListener("click", () => saveJson("drive-ladder.json", this.result()));
    element.addEventListener("change", (event) => event.target.type === "radio" && this.changed());
    element.addEventListener("keydown", (event) => this.pressed(event));
    for (const button of element.querySelectorAll(".play, .hear-nothing")) button.disabled = false;
  }

  find(selector) {
    return this.element.querySelector(selector);
  }

  get take() {
    return Number(this.find(".takes input:checked").value);
  }

  get view() {
    return this.find(".views input:checked").value;
  }

  get rung() {
    return this.entry.takes[this.take];
  }

  toggle() {
    if (this.loop.isPlaying) this.loop.pause();
    else this.loop.play(this.view, this.take);
  }

  changed() {
    if (this.loop.isPlaying) this.loop.play(this.view, this.take);
    this.find(".hear-it").disabled = this.take === 0;
  }

  pressed(event) {
    if (event.key.toLowerCase() !== "p" || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.toggle();
  }

  show() {
    this.find(".play").textContent = this.loop.isPlaying ? "Pause" : "Play";
  }

  marked(driveDb) {
    this.mark = driveDb;
    const rungs = this.entry.takes.slice(1);
    const below = driveDb === null ? rungs : rungs.filter((rung) => rung.drive_db < driveDb);
    this.find(".said").textContent = `${markText(driveDb)} ${limitText(below.at(-1))}`;
    this.find(".save").disabled = false;
  }

  result() {
    const { takes, comparison, candidate, from_s, to_s } = this.entry;
    return {
      kind: "drive ladder",
      schema: "1.0",
      comparison,
      candidate,
      heard: this.view,
      from_s,
      to_s,
      first_heard_drive_db: this.mark,
      rungs: takes.slice(1).map(({ drive_db, disturbed_pct, disturbed_onsets_pct }) => ({
        drive_db, disturbed_pct, disturbed_onsets_pct,
      })),
    };
  }
}

const driveText = (db) => `${db > 0 ? "+" : ""}${db} dB`.replace("-", "−");

function markText(driveDb) {
  return driveDb === null
    ? "You hear nothing up to the highest drive."
    : `You first hear it at ${driveText(driveDb)}.`;
}

function limitText(unheard) {
  if (!unheard) return "Your own limit is that nothing may be disturbed at all.";
  const share = (value) => (value === null ? "an unknown share" : `${value.toFixed(2)} %`);
  return `At ${driveText(unheard.drive_db)}, the highest drive you did not hear, ${share(unheard.disturbed_pct)} ` +
    `of frames and ${share(unheard.disturbed_onsets_pct)} of onsets are disturbed in the mix: your own limits.`;
}
