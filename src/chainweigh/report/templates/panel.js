// The listening part of one comparison: its buttons, keys and waveform, and the loop behind them.

import { Loop } from "./loop.js";
import { drawWave } from "./wave.js";

const VIEW_KEYS = { s: "soloed", m: "mix", d: "difference" };

export class Panel {
  constructor(element, entry) {
    this.element = element;
    this.entry = entry;
    this.loop = new Loop(entry, () => this.show());
    this.playButton = element.querySelector(".play");
    this.canvas = element.querySelector(".wave");
    this.playButton.addEventListener("click", () => this.toggle());
    element.addEventListener("change", (event) => event.target.type === "radio" && this.changed());
    element.addEventListener("keydown", (event) => this.pressed(event));
    element.addEventListener("click", (event) => this.clicked(event));
    for (const button of element.querySelectorAll("button:disabled")) button.disabled = false;
    new IntersectionObserver(([seen], self) => {
      if (!seen.isIntersecting) return;
      self.disconnect();
      this.loop.load().then(() => this.draw());
    }).observe(this.canvas);
  }

  chosen(group) {
    return this.element.querySelector(`.${group} input:checked`).value;
  }

  choose(group, value) {
    const input = this.element.querySelector(`.${group} input[value="${value}"]`);
    if (!input) return;
    input.checked = true;
    input.focus();
    this.changed();
  }

  get view() {
    return this.chosen("views");
  }

  get take() {
    return Number(this.chosen("takes"));
  }

  play() {
    return this.loop.play(this.view, this.take);
  }

  toggle() {
    if (this.loop.isPlaying) this.loop.pause();
    else this.play();
  }

  changed() {
    if (this.loop.isPlaying) this.play();
    this.draw();
  }

  pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const key = event.key.toLowerCase();
    if (key === "p") this.toggle();
    else if (/^[0-9]$/.test(key)) this.choose("takes", key);
    else if (VIEW_KEYS[key]) this.choose("views", VIEW_KEYS[key]);
    else return;
    event.preventDefault();
  }

  async clicked(event) {
    if (event.target === this.canvas) {
      await this.play();
      this.loop.seek((event.offsetX / this.canvas.clientWidth) * this.seconds);
    } else if (event.target.matches(".moment")) await this.playMoment(event.target.dataset);
  }

  get seconds() {
    return this.entry.to_s - this.entry.from_s;
  }

  async playMoment({ take, at }) {
    const within = Number(at) - this.entry.from_s;
    if (within < 0 || within >= this.seconds) return playFullLength(this.element, take, Number(at));
    this.element.querySelector(`.takes input[value="${take}"]`).checked = true;
    await this.play();
    this.loop.seek(Math.max(0, within - 0.3));
    this.draw();
  }

  show() {
    this.playButton.textContent = this.loop.isPlaying ? "Pause" : "Play";
    if (this.loop.isPlaying && !this.frame) this.tick();
  }

  tick() {
    this.draw();
    this.frame = this.loop.isPlaying ? requestAnimationFrame(() => this.tick()) : null;
  }

  draw() {
    if (!this.loop.signals) return;
    const moments = this.entry.takes[this.take].moments_s.map((s) => (s - this.entry.from_s) / this.seconds);
    drawWave(this.canvas, this.loop.signals.views, this.view, this.take, this.loop.position, moments);
  }
}

// A moment outside the loop is played from the run's folder, where that lies beside the page.
function playFullLength(panel, take, at) {
  const name = panel.querySelector(`.takes input[value="${take}"]`).closest("label").querySelector("bdi").textContent;
  const players = panel.closest("section").querySelectorAll(".players audio");
  const player = Array.from(players).find((p) => p.getAttribute("aria-label") === name);
  const details = player?.closest("details");
  if (!player) return panel.querySelector(".keys").after(missingNote(at));
  details.open = true;
  player.currentTime = Math.max(0, at - 0.5);
  player.play();
}

function missingNote(at) {
  const note = document.createElement("p");
  note.className = "missing";
  note.setAttribute("role", "status");
  note.textContent = `${at} s lies outside this passage, and the full-length file is not beside the page.`;
  return note;
}
