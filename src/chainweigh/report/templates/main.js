// Brings the page to life; without scripts everything but listening can still be read.

import { BlindRanking } from "./blind_ranking.js";
import { BlindTest } from "./blind_test.js";
import { bindFullLength } from "./full_length.js";
import { LadderPanel } from "./ladder.js";
import { bindVolume, pausePlaying } from "./monitor.js";
import { Panel } from "./panel.js";
import { bindTable } from "./table.js";

const blindTest = new BlindTest(document.getElementById("blind-test"));
const blindRanking = new BlindRanking(document.getElementById("blind-ranking"));

for (const entry of JSON.parse(document.getElementById("listening").textContent)) {
  const element = document.getElementById(`${entry.id}-listening`);
  const panel = new Panel(element, entry);
  const title = element.closest("section").querySelector("h2").textContent;
  element.querySelector(".open-blind-test").addEventListener("click", () => blindTest.open(panel, title));
  element.querySelector(".open-blind-ranking").addEventListener("click", () => blindRanking.open(panel, title));
}
const ladderEntry = JSON.parse(document.getElementById("ladder-data").textContent);
if (ladderEntry) new LadderPanel(document.getElementById("ladder-listening"), ladderEntry);
bindVolume(document.querySelectorAll(".volume"));
bindFullLength(document.querySelectorAll("audio"), pausePlaying);
document.querySelectorAll("table.ranking").forEach(bindTable);

let opened = [];
addEventListener("beforeprint", () => {
  opened = Array.from(document.querySelectorAll("details.keep:not([open])"));
  for (const part of opened) part.open = true;
});
addEventListener("afterprint", () => {
  for (const part of opened) part.open = false;
});
