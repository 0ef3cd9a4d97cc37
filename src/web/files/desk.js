// The engineer's pages work without this; with it, files can be dropped, long work shows how far it is, and a plan follows its fields.

import { follow } from "./board.js";
import { send, together, zone } from "./drop.js";

/** Recordings onto their row: one goes straight in, several are a table first, for they are not all of one pass. */
for (const place of document.querySelectorAll(".drop:not(.all)")) {
  const list = place.querySelector(".uploads");
  const mic = place.querySelector("select, input[type=hidden]");
  const { setup, pass } = place.dataset;
  zone(place, async (files) => {
    if (files.length > 1 && setup) {
      const box = document.createElement("div");
      list.before(box);
      await together(files, box, { setup, pass: Number(pass) });
      return;
    }
    for (const file of files) {
      const answer = await send(file, { setup, mic: setup ? mic.value : "", pass }, list);
      const row = place.closest("li");
      if (row && answer?.takes.length > 0) {
        row.classList.add("done");
        row.querySelector(".tick").textContent = "\u2611";
      }
    }
  });
}
const everything = document.getElementById("drop-all");
const guesses = document.getElementById("guesses");
if (everything) zone(everything, (files) => (files.length > 0 ? together(files, guesses) : undefined));
// A file that misses its place is not opened instead of the page, and does not vanish either.
window.addEventListener("dragover", (e) => e.preventDefault());
window.addEventListener("drop", (e) => {
  e.preventDefault();
  const files = [...(e.dataTransfer?.files ?? [])];
  if (files.length === 0) return;
  if (everything) { together(files, guesses); return; }
  const said = document.createElement("div");
  said.className = "flash";
  said.setAttribute("role", "status");
  const link = Object.assign(document.createElement("a"), { href: "/runsheet", textContent: "Drop them there" });
  said.append("Recordings are taken in on the page Takes, and nothing was taken in here. ", link, ".");
  document.querySelector("main h1").after(said);
});

const boards = document.querySelectorAll("table.board");
if (boards.length > 0) follow(boards);

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
