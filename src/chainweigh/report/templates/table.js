// Ranking tables: sorted by any column, filtered by words and by what holds of a row.

const collator = new Intl.Collator(undefined, { numeric: true, sensitivity: "base" });

function cellOf(row, column) {
  let at = 0;
  for (const cell of row.cells) {
    if (column < at + cell.colSpan) return cell;
    at += cell.colSpan;
  }
  return null;
}

function keyOf(row, column) {
  const cell = cellOf(row, column);
  const data = cell?.querySelector("data");
  if (data) return Number(data.value);
  const text = cell?.textContent.trim() ?? "";
  return text !== "" && Number.isFinite(Number(text)) ? Number(text) : text;
}

function compare(one, other, direction) {
  const numbers = [typeof one === "number", typeof other === "number"];
  if (numbers[0] && numbers[1]) return direction * (one - other);
  if (numbers[0] !== numbers[1]) return numbers[0] ? -1 : 1; // what has no number comes last
  return direction * collator.compare(one, other);
}

function sortBy(table, column, direction) {
  const body = table.tBodies[0];
  const rows = Array.from(body.rows, (row) => [keyOf(row, column), row]);
  rows.sort(([one], [other]) => compare(one, other, direction));
  body.append(...rows.map(([, row]) => row));
  for (const head of table.tHead.rows[0].cells) head.removeAttribute("aria-sort");
  table.tHead.rows[0].cells[column].setAttribute("aria-sort", direction > 0 ? "ascending" : "descending");
}

function makeSortable(table) {
  Array.from(table.tHead.rows[0].cells).forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "sort";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () =>
      sortBy(table, column, head.getAttribute("aria-sort") === "ascending" ? -1 : 1));
  });
  table.tHead.rows[0].cells[0].setAttribute("aria-sort", "ascending");
}

function filter(table, tools) {
  const words = tools.querySelector(".words").value.toLowerCase().split(/\s+/).filter(Boolean);
  const wanted = Array.from(tools.querySelectorAll("input:checked"), (box) => box.value);
  let nShown = 0;
  for (const row of table.tBodies[0].rows) {
    const text = row.textContent.toLowerCase();
    const holds = (row.dataset.holds ?? "").split(" ");
    row.hidden = !words.every((w) => text.includes(w)) || !wanted.every((w) => holds.includes(w));
    nShown += !row.hidden;
  }
  tools.querySelector("output").value = `${nShown} of ${table.tBodies[0].rows.length} shown`;
}

export function bindTable(table) {
  makeSortable(table);
  const tools = table.closest("section").querySelector(".table-tools");
  tools.hidden = false;
  tools.addEventListener("input", () => filter(table, tools));
  filter(table, tools);
}
