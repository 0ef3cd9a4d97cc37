// The panel's board, live: who is invited, who is in which trial, who left. What it is sent knows nothing of right and wrong.

const WORDS = { invited: "invited", ready: "between two trials", trial: "in trial", done: "through", closed: "closed" };

function where(one) {
  const words = one.state === "trial" ? `in trial ${one.in_trial}` : WORDS[one.state];
  if (one.left) return `${words}; left the page`;
  return one.here === false && one.state !== "invited" && one.state !== "done" ? `${words}; not at the page` : words;
}

function shown(table, test) {
  for (const one of test.listeners) {
    let row = table.querySelector(`tr[data-listener="${CSS.escape(one.listener)}"]`);
    if (!row) {
      row = document.createElement("tr");
      row.dataset.listener = one.listener;
      const name = Object.assign(document.createElement("th"), { scope: "row", textContent: one.listener });
      const [place, trials, link] = ["where", "num", ""].map((className) => Object.assign(document.createElement("td"), { className }));
      link.textContent = one.link ? "invited just now" : "at this computer";
      row.append(name, place, trials, link);
      table.tBodies[0].append(row);
    }
    row.querySelector(".where").textContent = where(one);
    row.querySelector(".num").textContent = one.planned === null ? String(one.done) : `${one.done} of ${one.planned}`;
    row.classList.toggle("left", one.left);
  }
}

/** Follows the desk for as long as the page is open. */
export function follow(tables) {
  const events = new EventSource("/desk/panel/live");
  events.addEventListener("message", (e) => {
    for (const test of JSON.parse(e.data).tests) {
      const table = [...tables].find((t) => t.dataset.test === test.test);
      if (!table) continue;
      shown(table, test);
      // Closed by its last answer: the page has another first thing to do now.
      if (test.closed) { events.close(); window.location.reload(); return; }
    }
  });
  window.addEventListener("pagehide", () => events.close());
}
