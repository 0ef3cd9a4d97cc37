// The engineer's pages work without this; with it, files can be dropped, long work shows how far it is, and a plan follows its fields.

/** Recordings onto their row: one after another, each with its progress. */
for (const zone of document.querySelectorAll(".drop")) {
  const input = zone.querySelector("input[type=file]");
  const list = zone.querySelector(".uploads");
  const mic = zone.querySelector("select, input[type=hidden]");
  let queue = Promise.resolve();
  const send = (file) => new Promise((done) => {
    const item = document.createElement("li");
    const bar = document.createElement("progress");
    bar.max = 1; bar.value = 0; bar.setAttribute("aria-label", `Sending ${file.name}`);
    const text = document.createElement("span");
    text.textContent = `${file.name}: sending `;
    item.append(text, bar);
    list.append(item);
    const place = new URLSearchParams({ name: file.name, setup: zone.dataset.setup, mic: zone.dataset.setup ? mic.value : "", pass: zone.dataset.pass });
    const request = new XMLHttpRequest();
    request.open("POST", `/takes/upload?${place}`);
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
        const row = zone.closest("li");
        if (row && answer.takes.length > 0) {
          row.classList.add("done");
          row.querySelector(".tick").textContent = "\u2611";
        }
      } else {
        const why = answer.error ? `${answer.error.message}. ${answer.error.next}.` : "The connection was lost; send it again.";
        text.textContent = `${file.name}: not taken in. ${why}`;
        item.setAttribute("role", "alert");
      }
      done();
    });
    request.send(file);
  });
  const take = (files) => { for (const file of files) queue = queue.then(() => send(file)); };
  input.addEventListener("change", () => { take([...input.files]); input.value = ""; });
  zone.addEventListener("dragover", (e) => { e.preventDefault(); zone.classList.add("over"); });
  zone.addEventListener("dragleave", () => zone.classList.remove("over"));
  zone.addEventListener("drop", (e) => {
    e.preventDefault();
    zone.classList.remove("over");
    take([...e.dataTransfer.files]);
  });
}
// A file that misses its row is not opened instead of the page.
for (const kind of ["dragover", "drop"]) window.addEventListener(kind, (e) => e.preventDefault());

/** Long work: how far it is, by server-sent events. */
const box = document.getElementById("progress");
for (const form of document.querySelectorAll("form[data-slow]")) {
  form.addEventListener("submit", () => {
    box.hidden = false;
    document.getElementById("progress-what").textContent = `${form.dataset.slow} \u2026`;
    const bar = document.getElementById("progress-bar");
    const events = new EventSource("/progress");
    events.addEventListener("message", (e) => {
      const { what, done, total } = JSON.parse(e.data);
      if (total > 0) { bar.value = done / total; document.getElementById("progress-what").textContent = `${what}: ${done} of ${total}`; }
    });
    for (const button of form.querySelectorAll("button")) setTimeout(() => { button.disabled = true; });
  });
}

/** What a plan could find, while it is being written. */
const bars = () => { for (const bar of document.querySelectorAll(".bar[data-share]")) bar.style.width = `${Number(bar.dataset.share) * 8}rem`; };
const plan = document.getElementById("plan");
if (plan) {
  let timer;
  let asked = 0;
  const ask = async () => {
    asked += 1;
    const mine = asked;
    const answer = await fetch(plan.dataset.whatIf, { method: "POST", body: new URLSearchParams(new FormData(plan)), headers: { "X-Piece": "1" } }).catch(() => null);
    if (!answer || mine !== asked) return;
    document.getElementById("what-if").innerHTML = await answer.text();
    bars();
  };
  plan.addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(ask, 250); });
  plan.addEventListener("submit", (e) => {
    if (e.submitter && e.submitter.formAction.endsWith("/what-if")) { e.preventDefault(); ask(); }
  });
  ask();
}
bars();

/** An excerpt by two clicks on the waveform. */
const wave = document.querySelector(".wave");
if (wave) {
  const picture = wave.querySelector("svg");
  const chosen = wave.querySelector(".chosen");
  const [start, end] = [document.getElementById("start"), document.getElementById("end")];
  const seconds = Number(wave.dataset.seconds);
  const width = picture.viewBox.baseVal.width;
  const mark = () => {
    const from = Number(start.value) || 0;
    const to = Number(end.value) || seconds;
    const part = start.value !== "" || end.value !== "";
    chosen.setAttribute("x", String((from / seconds) * width));
    chosen.setAttribute("width", String(part ? Math.max(0, ((to - from) / seconds) * width) : 0));
  };
  let first = true;
  picture.addEventListener("click", (e) => {
    const area = picture.getBoundingClientRect();
    const at = (((e.clientX - area.left) / area.width) * seconds).toFixed(2);
    if (first) { start.value = at; end.value = ""; } else if (Number(at) > Number(start.value)) { end.value = at; } else { start.value = at; }
    first = !first;
    const name = document.getElementById("excerpt");
    if (name.value === "whole") name.value = "part";
    mark();
  });
  for (const field of [start, end]) field.addEventListener("input", mark);
}
