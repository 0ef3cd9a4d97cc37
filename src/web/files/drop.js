// Recordings on their way in: one after another, each with its progress; many at once first as a table of what they are taken for.

const make = (tag, give = {}, ...inside) => { const one = Object.assign(document.createElement(tag), give); one.append(...inside); return one; };
let queue = Promise.resolve();

/** Sends one recording; the list says what came of it. Resolves with what the desk answered, or with nothing. */
export function send(file, place, list) {
  const one = () => new Promise((done) => {
    const bar = make("progress", { max: 1, value: 0 });
    bar.setAttribute("aria-label", `Sending ${file.name}`);
    const text = make("span", { textContent: `${file.name}: sending ` });
    const item = make("li", {}, text, bar);
    list.append(item);
    const request = new XMLHttpRequest();
    request.open("POST", `/takes/upload?${new URLSearchParams({ name: file.name, ...place })}`);
    request.upload.addEventListener("progress", (e) => {
      if (!e.lengthComputable) return;
      bar.value = e.loaded / e.total;
      if (e.loaded === e.total) text.textContent = `${file.name}: being looked at `;
    });
    request.addEventListener("loadend", () => {
      bar.remove();
      let answer = {};
      try { answer = JSON.parse(request.responseText); } catch { /* said below */ }
      if (request.status === 200) {
        const takes = answer.takes.map((t) => {
          const faults = t.faults.filter((f) => f.severity !== "note").map((f) => f.detail);
          return `taken in as ${t.take}${faults.length ? ` \u2013 look at it: ${faults.join(" ")}` : ""}`;
        });
        text.textContent = `${file.name}: ${[...takes, ...answer.warnings].join("; ")}`;
        return done(answer);
      }
      const why = answer.error ? `${answer.error.message}. ${answer.error.next}.` : "The connection was lost; send it again.";
      text.textContent = `${file.name}: not taken in. ${why}`;
      item.setAttribute("role", "alert");
      return done(undefined);
    });
    request.send(file);
  });
  queue = queue.then(one);
  return queue;
}

const ask = async (path, body) => {
  const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }).catch(() => null);
  const read = answer ? await answer.json().catch(() => null) : null;
  if (answer?.ok) return read;
  throw new Error(read?.error ? `${read.error.message}. ${read.error.next}.` : "The desk did not answer; try it again.");
};

const LEFT_OUT = "\u2013 leave it out";
const DI = "the DI";

/** The choices of one file: every field of it can be corrected before anything is kept. */
function row(guess, file, known, changed) {
  const named = (name) => `${name} of ${file.name}`;
  const told = (field, name) => { field.setAttribute("aria-label", named(name)); field.addEventListener("input", changed); return field; };
  const options = (list, chosen) => list.map((text) => make("option", { value: text, textContent: text, selected: text === chosen }));
  const setup = told(known.setups.length > 0
    ? make("select", {}, ...options([...known.setups, DI, LEFT_OUT], guess.di ? DI : guess.setup ?? LEFT_OUT))
    : make("input", { value: guess.di ? DI : guess.setup ?? "", spellcheck: false }), "Setup");
  const mic = told(make("select", {}, ...options(known.mics, guess.mic)), "Mic");
  const pass = told(make("input", { value: guess.pass ?? "", inputMode: "numeric", className: "pass" }), "Pass");
  const cells = [make("th", { scope: "row", textContent: file.name }), make("td", {}, setup), ...(known.mics.length > 1 ? [make("td", {}, mic)] : []), make("td", {}, pass)];
  return { file, setup, mic, pass, line: make("tr", {}, ...cells) };
}

/** What the chosen files are taken for, in a box; sent when it is confirmed. */
export async function together(files, box, on = {}) {
  const all = [...files].sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
  box.hidden = false;
  box.replaceChildren(make("p", { textContent: `${all.length} recordings: their names are being read.` }));
  let known;
  try {
    known = await ask("/takes/guess", { names: all.map((f) => f.name), ...on });
  } catch (error) {
    box.replaceChildren(make("p", { className: "warning", textContent: error.message }), make("p", { textContent: "The files are still chosen: correct that, and choose them again." }));
    return;
  }
  const said = make("p", { className: "soft" });
  const go = make("button", { type: "button", className: "main", textContent: "Take them in" });
  const rows = [];
  const wanted = () => rows.filter((r) => ![LEFT_OUT, ""].includes(r.setup.value.trim()));
  const changed = () => {
    const keys = wanted().map((r) => (r.setup.value === DI ? DI : `${r.setup.value.trim()}, ${r.mic.value}, pass ${r.pass.value.trim()}`));
    const twice = keys.find((k, i) => keys.indexOf(k) !== i);
    const wrong = wanted().find((r) => r.setup.value !== DI && !/^[1-9]\d*$/.test(r.pass.value.trim()));
    go.disabled = keys.length === 0 || Boolean(twice) || Boolean(wrong);
    said.textContent = twice ? `Two files are ${twice}: give one of them another pass.` : wrong ? `${wrong.file.name} needs the number of its pass.`
      : `${keys.length} of ${rows.length} will be taken in.`;
  };
  known.rows.forEach((guess, i) => rows.push(row(guess, all[i], known, changed)));
  const head = ["file", "setup", ...(known.mics.length > 1 ? ["mic"] : []), "pass"].map((text) => make("th", { scope: "col", textContent: text }));
  const table = make("table", {}, make("thead", {}, make("tr", {}, ...head)), make("tbody", {}, ...rows.map((r) => r.line)));
  const scroll = make("div", { className: "scroll", tabIndex: 0 }, table);
  scroll.setAttribute("role", "group");
  scroll.setAttribute("aria-label", "What the recordings are taken for");
  const list = make("ul", { className: "uploads" });
  go.addEventListener("click", async () => {
    go.disabled = true;
    const chosen = wanted();
    try {
      if (known.setups.length === 0) await ask("/rig/names", [...new Set(chosen.filter((r) => r.setup.value !== DI).map((r) => r.setup.value.trim()))]);
    } catch (error) {
      said.textContent = error.message;
      go.disabled = false;
      return;
    }
    let kept = 0;
    for (const one of chosen) {
      const di = one.setup.value === DI;
      const answer = await send(one.file, { setup: di ? "" : one.setup.value.trim(), mic: di ? "" : one.mic.value, pass: di ? 0 : one.pass.value.trim() }, list);
      if (answer) { kept += 1; one.line.remove(); }
    }
    said.textContent = `${kept} of ${chosen.length} are in.`;
    known.setups = known.setups.length > 0 ? known.setups : [""];
    go.textContent = "Try again what is left";
    go.hidden = kept === chosen.length;
    rows.splice(0, rows.length, ...rows.filter((r) => r.line.isConnected));
    go.disabled = false;
    box.append(make("p", {}, make("a", { href: "/runsheet", className: "button main", textContent: "Show the takes" })));
  });
  box.replaceChildren(scroll, said, go, list);
  changed();
}

/** Makes a place for files: by choosing, and by dropping. */
export function zone(place, taken) {
  const input = place.querySelector("input[type=file]");
  input.addEventListener("change", () => { taken([...input.files]); input.value = ""; });
  place.addEventListener("dragover", (e) => { e.preventDefault(); place.classList.add("over"); });
  place.addEventListener("dragleave", () => place.classList.remove("over"));
  place.addEventListener("drop", (e) => {
    e.preventDefault();
    e.stopPropagation();
    place.classList.remove("over");
    taken([...e.dataTransfer.files]);
  });
}
