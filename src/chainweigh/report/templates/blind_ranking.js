// Several takes without names, put in order by ear; names and measured ranks are told at the end.

import { shuffled } from "./chance.js";
import { Loop } from "./loop.js";
import { pausePlaying } from "./monitor.js";
import { saveJson } from "./save.js";
import { Sheet } from "./sheet.js";

export class BlindRanking {
  #takes = [];
  #order = [];

  constructor(element) {
    this.sheet = new Sheet(element, ["setup", "ranking-list", "outcome"], () => this.ended());
    this.find = (selector) => element.querySelector(selector);
    this.find(".setup").addEventListener("submit", (event) => this.begin(event));
    this.find(".order").addEventListener("click", ({ target }) => this.clicked(target.closest("button")));
    this.find(".reveal").addEventListener("click", () => this.reveal());
    this.find(".save").addEventListener("click", () => saveJson("blind-ranking.json", this.result()));
  }

  open(panel, title) {
    this.panel = panel;
    this.title = title;
    this.loop = new Loop(panel.entry);
    this.loop.loading = panel.loop.load();
    const count = this.find(".count");
    count.max = panel.entry.takes.length;
    count.value = Math.min(4, panel.entry.takes.length);
    this.find(".in-mix").hidden = !panel.entry.others;
    this.find('[name="blind-ranking-view"][value="soloed"]').checked = true;
    pausePlaying();
    this.sheet.open();
  }

  async begin(event) {
    event.preventDefault();
    this.view = this.find('[name="blind-ranking-view"]:checked').value;
    const all = this.panel.entry.takes.map((_, take) => take);
    this.#takes = shuffled(all.slice(0, Number(this.find(".count").value)));
    this.#order = this.#takes.map((_, place) => place);
    await this.loop.load();
    this.sheet.show("ranking-list");
    this.showOrder();
    this.find(".order button").focus();
  }

  showOrder() {
    this.find(".order").replaceChildren(...this.#order.map((label) => {
      const item = document.createElement("li");
      const letter = `Take ${String.fromCharCode(65 + label)}`;
      for (const [what, text] of [["hear", letter], ["up", `Move up`], ["down", `Move down`]]) {
        const button = document.createElement("button");
        button.type = "button";
        button.dataset.label = label;
        button.dataset.what = what;
        button.textContent = text;
        if (what === "hear") button.setAttribute("aria-pressed", String(this.hearing === label));
        else button.setAttribute("aria-label", `${text}: ${letter}`);
        item.append(button);
      }
      return item;
    }));
  }

  clicked(button) {
    if (!button) return;
    const label = Number(button.dataset.label);
    const { what } = button.dataset;
    if (what === "hear") {
      this.hearing = label;
      this.loop.play(this.view, this.#takes[label]);
    } else this.move(label, what === "up" ? -1 : 1);
    this.showOrder();
    this.find(`[data-label="${label}"][data-what="${what}"]`).focus();
  }

  move(label, by) {
    const from = this.#order.indexOf(label);
    const to = from + by;
    if (to < 0 || to >= this.#order.length) return;
    [this.#order[from], this.#order[to]] = [this.#order[to], this.#order[from]];
    this.find(".said").textContent = `Take ${String.fromCharCode(65 + label)} is now number ${to + 1}.`;
  }

  result() {
    const { entry } = this.panel;
    return {
      kind: "blind ranking",
      schema: "1.0",
      comparison: this.title,
      heard: this.view,
      from_s: entry.from_s,
      to_s: entry.to_s,
      order: this.#order.map((label) => {
        const { name, rank } = entry.takes[this.#takes[label]];
        return { name, measured_rank: rank };
      }),
    };
  }

  reveal() {
    this.loop.pause();
    const sentence = this.find(".sentence");
    sentence.textContent = "Your order, best first, with the rank that the measures gave.";
    this.find(".revealed").replaceChildren(...this.result().order.map(({ name, measured_rank: rank }) => {
      const item = document.createElement("li");
      const text = document.createElement("bdi");
      text.textContent = name;
      item.append(text, rank === null ? "" : ` (measured: rank ${rank})`);
      return item;
    }));
    this.sheet.show("outcome");
    sentence.focus();
  }

  ended() {
    this.loop?.pause();
    this.hearing = null;
    this.#takes = [];
    this.#order = [];
    this.find(".said").textContent = "";
    this.find(".order").replaceChildren();
  }
}
