// Adds to pages that are whole without it: ages that go on, word of a newer plan, tables sorted by a column.
"use strict";

(() => {
  const minute = 60000;

  // An age in the words of the page: under a minute, 35 min, 3 h 12 min, 2 days 4 h.
  const inWords = (ms) => {
    const minutes = Math.floor(ms / minute);
    if (minutes < 1) return "under a minute";
    if (minutes < 60) return `${minutes} min`;
    const hours = Math.floor(minutes / 60);
    return hours < 48 ? `${hours} h ${minutes % 60} min` : `${Math.floor(hours / 24)} days ${hours % 24} h`;
  };

  // The server said how old it was as the page was made; a wrong clock on a phone must not make it younger.
  const opened = performance.now();
  const grow = () => {
    for (const one of document.querySelectorAll("[data-age]")) {
      one.textContent = inWords(Number(one.dataset.age) * 1000 + performance.now() - opened);
    }
  };
  if (document.querySelector("[data-age]")) setInterval(grow, minute / 2);

  const plan = document.querySelector("[data-plan]");
  if (plan) {
    let asked = performance.now();
    const look = async () => {
      const every = Number(plan.dataset.every || 60) * 1000;
      if (document.hidden || performance.now() - asked < every) return;
      asked = performance.now();
      try {
        const answer = await fetch(plan.dataset.plan, { headers: { Accept: "application/json" } });
        if (!answer.ok) return;
        const said = await answer.json();
        // Another one, not a later one: the server's clock may have been put back.
        plan.hidden = Date.parse(said.made_utc) === Date.parse(plan.dataset.made);
      } catch {
        // No line to the service: the sheet stays as it is, and its age goes on.
      }
    };
    setInterval(look, 1000 * Math.min(5, Number(plan.dataset.every || 60)));
    document.addEventListener("visibilitychange", look);
  }

  const valueOf = (row, column) => {
    const cell = row.cells[column];
    return cell ? (cell.dataset.sort ?? cell.textContent.trim()) : "";
  };
  const compare = (a, b) => a.localeCompare(b, "en", { numeric: true });
  for (const table of document.querySelectorAll("table[data-sortable]")) {
    const heads = [...table.tHead.rows[0].cells];
    const body = table.tBodies[0];
    const asGiven = [...body.rows];
    const notesOf = (row) => asGiven.slice(asGiven.indexOf(row) + 1).slice(0, 1).filter((next) => next.matches(".notes-row"));
    heads.forEach((head, column) => {
      if (head.hasAttribute("data-unsorted")) return;
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const was = head.getAttribute("aria-sort");
        for (const other of heads) other.removeAttribute("aria-sort");
        // Up, down, then as the page came, with its groups.
        const now = was === "ascending" ? "descending" : was === "descending" ? null : "ascending";
        if (!now) return body.replaceChildren(...asGiven);
        head.setAttribute("aria-sort", now);
        const sign = now === "ascending" ? 1 : -1;
        const rows = asGiven.filter((row) => !row.matches(".group, .notes-row"));
        rows.sort((a, b) => sign * compare(valueOf(a, column), valueOf(b, column)));
        body.replaceChildren(...rows.flatMap((row) => [row, ...notesOf(row)]));
      });
    });
  }
})();
