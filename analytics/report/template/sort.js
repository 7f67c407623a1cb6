// A table of some length is put in order by a press on a heading; without this script it stands as it was written.
for (const table of document.querySelectorAll(".table table")) {
  const bodies = [...table.tBodies], rows = body => [...body.rows].filter(row => row.cells.length > 1);
  if (!table.tHead || bodies.flatMap(rows).length < 4) continue;
  const heads = [...table.tHead.rows[0].cells];
  const number = text => /^[^\d\s]{0,3}[\d,]*\.?\d+(e-?\d+)?( ?[^\d\s]{1,2})?$/.test(text) ? parseFloat(text.replace(/[^\d.e-]/g, "")) : NaN;
  const order = (a, b) => { const x = number(a), y = number(b); return x - y || (x === y ? 0 : a.localeCompare(b, "en", { numeric: true })); };
  heads.forEach((head, i) => {
    const button = document.createElement("button");
    button.append(...head.childNodes);
    head.append(button);
    button.onclick = () => {
      const turn = head.getAttribute("aria-sort") === "ascending" ? -1 : 1;
      heads.forEach(other => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", turn > 0 ? "ascending" : "descending");
      for (const body of bodies) {
        const told = rows(body).map(row => [row.cells[i].textContent.trim(), row]);
        told.sort(([a], [b]) => !a - !b || turn * order(a, b));
        body.append(...told.map(([, row]) => row));
      }
    };
  });
}
