"use strict";
(() => {
  const table = document.getElementById("sides");
  const body = table.tBodies[0];
  const said = document.getElementById("sorted");
  const collator = new Intl.Collator(undefined, { numeric: true });
  const key = (row, column) => {
    const cell = row.cells[column];
    const value = cell.dataset.v;
    if (value === undefined) return cell.textContent.trim();
    return value === "" ? "" : Number(value);
  };
  const compare = (a, b) => (typeof a === "number" ? a - b : collator.compare(a, b));
  for (const head of table.tHead.rows[0].cells) {
    const name = head.textContent;
    if (!head.hasAttribute("data-sort")) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const keyed = Array.from(body.rows, (row) => [key(row, head.cellIndex), row]);
      const there = keyed.filter(([k]) => k !== ""); // what was not measured stays last
      const missing = keyed.filter(([k]) => k === "");
      there.sort(([a], [b]) => (down ? compare(b, a) : compare(a, b)));
      body.append(...there.map(([, row]) => row), ...missing.map(([, row]) => row));
      said.textContent = `Sorted by ${name}, ${down ? "largest" : "smallest"} first.`;
    });
  }
  const tools = document.getElementById("tools");
  const only = document.getElementById("only");
  tools.hidden = false;
  only.addEventListener("change", () => {
    let left = 0;
    for (const row of body.rows) {
      row.hidden = only.checked && row.dataset.s === "0";
      if (!row.hidden) left += 1;
    }
    said.textContent = `${left} sides shown.`;
  });
})();
