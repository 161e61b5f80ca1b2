// Which of two unlabelled takes is X? What stands where is held here alone until the last answer.

import { binomialTail, leastRight, power } from "./binomial.js";
import { randomBelow } from "./chance.js";
import { Loop } from "./loop.js";
import { pausePlaying } from "./monitor.js";
import { saveJson } from "./save.js";
import { Sheet } from "./sheet.js";

const EARS = [0.7, 0.8, 0.9];
const percentText = (share) => `${(100 * share).toFixed(share < 0.1 ? 1 : 0)} %`;

export class BlindTest {
  #trials = [];
  #drawn = null;
  #buffers = null;

  constructor(element) {
    this.sheet = new Sheet(element, ["setup", "trial", "outcome"], () => this.ended());
    this.find = (selector) => element.querySelector(selector);
    this.find(".setup").addEventListener("submit", (event) => this.begin(event));
    this.find(".trials").addEventListener("input", () => this.showPlan());
    element.addEventListener("click", ({ target }) => this.clicked(target.closest("button")?.dataset ?? {}));
    element.addEventListener("keydown", (event) => this.pressed(event));
    this.find(".save").addEventListener("click", () => saveJson("blind-test.json", this.result()));
  }

  open(panel, title) {
    this.panel = panel;
    this.title = title;
    this.loop = new Loop(panel.entry);
    this.loop.loading = panel.loop.load();
    const names = panel.entry.takes.map((take) => take.name);
    for (const [select, chosen] of [[".one", 0], [".other", 1]]) {
      const options = names.map((name, i) => new Option(name, i, i === chosen, i === chosen));
      this.find(select).replaceChildren(...options);
    }
    this.find(".in-mix").hidden = !panel.entry.others;
    this.find('[name="blind-test-view"][value="soloed"]').checked = true;
    this.showPlan();
    pausePlaying();
    this.sheet.open();
  }

  get nPlanned() {
    return Number(this.find(".trials").value);
  }

  showPlan() {
    const n = this.nPlanned;
    if (!(n >= 1)) return;
    const needed = leastRight(n);
    this.find(".plan").textContent = needed === null
      ? `${n} trials cannot tell hearing from guessing at 5 %: even all right happens by luck in ${percentText(0.5 ** n)} of tests. Take at least 5.`
      : `${needed} of ${n} must be right to be luck in at most 5 % of tests. A listener who is right in ` +
        `${EARS.map((ear) => `${100 * ear} %`).join(", ")} of trials gets that far in ` +
        `${EARS.map((ear) => percentText(power(n, ear))).join(", ")} of tests.`;
  }

  async begin(event) {
    event.preventDefault();
    this.takes = [Number(this.find(".one").value), Number(this.find(".other").value)];
    this.view = this.find('[name="blind-test-view"]:checked').value;
    this.planned = this.nPlanned;
    this.#trials = [];
    await this.loop.load();
    this.next();
  }

  next() {
    if (this.#trials.length === this.planned) return this.reveal();
    const swapped = randomBelow(2);
    const first = this.takes[swapped];
    const second = this.takes[1 - swapped];
    this.#drawn = { first, second, x: randomBelow(2) ? second : first, heard: { x: 0, first: 0, second: 0 } };
    this.loop.pause();
    this.press(null);
    this.sheet.show("trial");
    const progress = this.find(".progress");
    progress.textContent = `Trial ${this.#trials.length + 1} of ${this.planned}`;
    progress.focus();
  }

  clicked({ hear, answer }) {
    if (hear) this.hear(hear);
    if (answer) this.answer(answer);
  }

  pressed({ key, ctrlKey, metaKey, altKey }) {
    const hear = { x: "x", 1: "first", 2: "second" }[key.toLowerCase()];
    if (hear && this.sheet.shown === "trial" && !ctrlKey && !metaKey && !altKey) this.hear(hear);
  }

  hear(which) {
    this.#drawn.heard[which] += 1;
    this.press(which);
    this.loop.play(this.view, this.#drawn[which]);
  }

  press(which) {
    for (const button of this.find(".ways").children)
      button.setAttribute("aria-pressed", String(button.dataset.hear === which));
  }

  answer(answer) {
    this.#trials.push({ ...this.#drawn, answer });
    this.next();
  }

  result() {
    const { entry } = this.panel;
    const name = (take) => entry.takes[take].name;
    const isRight = (trial) => trial[trial.answer] === trial.x;
    const nRight = this.#trials.filter(isRight).length;
    return {
      kind: "blind test",
      schema: "1.0",
      comparison: this.title,
      heard: this.view,
      from_s: entry.from_s,
      to_s: entry.to_s,
      takes: this.takes.map(name),
      n_trials: this.planned,
      n_right: nRight,
      p_value: binomialTail(nRight, this.planned),
      n_right_needed: leastRight(this.planned),
      power: Object.fromEntries(EARS.map((ear) => [ear, power(this.planned, ear)])),
      trials: this.#trials.map((t) => ({
        first: name(t.first), second: name(t.second), x: name(t.x), answer: t.answer, right: isRight(t), n_heard: t.heard,
      })),
    };
  }

  reveal() {
    this.loop.pause();
    const result = this.result();
    const heard = result.n_right_needed !== null && result.n_right >= result.n_right_needed;
    const p = result.p_value < 0.0001 ? "less than 0.0001" : result.p_value.toFixed(4);
    const sentence = this.find(".sentence");
    sentence.textContent =
      `${result.n_right} of ${result.n_trials} right. Guessing gets at least as many with probability ${p}: ` +
      (heard ? "you heard a difference." : "this test shows no difference that you heard.");
    this.find(".outcome tbody").replaceChildren(...result.trials.map(trialRow));
    this.sheet.show("outcome");
    sentence.focus();
  }

  ended() {
    this.loop?.pause();
    this.#drawn = null;
    this.#trials = [];
  }
}

function trialRow(trial, index) {
  const row = document.createElement("tr");
  const head = document.createElement("th");
  head.scope = "row";
  head.textContent = index + 1;
  row.append(head);
  for (const text of [trial.first, trial.second, trial.x, trial.right ? "right" : "wrong"]) {
    const name = document.createElement("bdi");
    name.textContent = text;
    const cell = row.insertCell();
    cell.className = "text";
    cell.append(name);
  }
  return row;
}
