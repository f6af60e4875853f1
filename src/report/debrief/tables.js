"use strict";
for (const table of document.querySelectorAll("table.tool")) {
  const body = table.tBodies[0];
  const value = (row, i) => {
    const cell = row.cells[i];
    return cell.dataset.sort === undefined ? cell.textContent.trim() : Number(cell.dataset.sort);
  };
  const compare = (a, b) => typeof a === "number" && typeof b === "number"
    ? a - b
    : String(a).localeCompare(String(b), undefined, { numeric: true });
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
  table.parentNode.before(tools);
  input.addEventListener("input", () => {
    const words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of body.rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
      shown += row.hidden ? 0 : 1;
    }
    count.textContent = words.length ? shown + " of " + body.rows.length + " rows" : "";
  });
}
