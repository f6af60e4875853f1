"use strict";
const FIRST = 10;
const folds = [...document.querySelectorAll("details")];
let open = [];
// Where there is room, every place stands open.
if (matchMedia("(min-width: 46rem)").matches) {
  for (const fold of folds.filter((fold) => fold.className === "place")) fold.open = true;
}
addEventListener("beforeprint", () => {
  open = folds.filter((fold) => fold.open);
  for (const fold of folds) fold.open = true;
});
addEventListener("afterprint", () => {
  for (const fold of folds) fold.open = open.includes(fold);
});
for (const table of document.querySelectorAll("table.tool")) {
  const body = table.tBodies[0];
  const value = (row, i) => {
    const cell = row.cells[i];
    return cell.dataset.sort === undefined ? cell.textContent.trim() : Number(cell.dataset.sort);
  };
  const compare = (a, b) => typeof a === "number" && typeof b === "number"
    ? a - b
    : String(a).localeCompare(String(b), undefined, { numeric: true });
  const region = table.parentNode;
  let whole = body.rows.length <= FIRST + 5;
  const turn = () => {
    let place = 0;
    for (const row of body.rows) row.classList.toggle("later", !whole && !row.hidden && ++place > FIRST);
  };
  if (!whole) {
    const more = document.createElement("button");
    more.type = "button";
    more.className = "more";
    more.textContent = "Show all " + body.rows.length + " rows";
    more.addEventListener("click", () => {
      whole = true;
      turn();
      more.remove();
      region.focus();
    });
    region.after(more);
    turn();
  }
  [...table.tHead.rows[0].cells].forEach((head, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      for (const other of head.parentNode.cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const rows = [...body.rows].sort((a, b) => compare(value(a, i), value(b, i)));
      if (down) rows.reverse();
      body.append(...rows);
      turn();
    });
  });
  if (body.rows.length < 6) continue;
  const tools = document.createElement("p");
  tools.className = "tools";
  const label = document.createElement("label");
  label.textContent = "Show rows with ";
  const input = document.createElement("input");
  input.type = "search";
  input.autocomplete = "off";
  const count = document.createElement("output");
  label.append(input);
  tools.append(label, count);
  region.before(tools);
  input.addEventListener("input", () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of body.rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
      shown += row.hidden ? 0 : 1;
    }
    turn();
    count.textContent = words.length ? shown + " of " + body.rows.length + " rows" : "";
  });
}
