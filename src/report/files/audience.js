// The audience page: each visitor draws their own trials here, in the browser. Unguarded, and it says so.
import { Player, load } from "./player.js";

const page = document.querySelector("main");
const part = (name) => document.getElementById(name);
const HEARD_MS = 300;
let data;
let context;
let clips;      // per setup its buffers
let player;
let trial;      // { a, x, buffers: [A, B, X] }
let answers = [];
let heard = {};
let sounding = null;

function show(name) {
  for (const section of page.querySelectorAll("section[data-part]")) section.hidden = section.dataset.part !== name;
  page.querySelector(`section[data-part="${name}"] h2`).focus();
}

/** An unbiased whole number below n, from the browser's own generator. */
function below(n) {
  if (n < 2) return 0;
  const most = Math.floor(2 ** 32 / n) * n;
  const word = new Uint32Array(1);
  do crypto.getRandomValues(word); while (word[0] >= most);
  return word[0] % n;
}

/** P(at least `right` of `n` by guessing): the exact sum. */
export function chance(right, n) {
  let sum = 0;
  let term = 0.5 ** n;
  for (let k = 0; k <= n; k += 1) {
    if (k >= right) sum += term;
    term = term * (n - k) / (k + 1);
  }
  return Math.min(1, sum);
}

/** FNV-1a, 32 bits, over the bytes of a text: shows lines that were lost on the way. */
export function code(text) {
  let hash = 0x811c9dc5;
  for (const byte of new TextEncoder().encode(text)) hash = Math.imul(hash ^ byte, 0x01000193) >>> 0;
  return hash.toString(16).padStart(8, "0");
}

/** A fresh trial: which setup stands under A, which one X is, and which take sounds in each place. */
function draw() {
  const a = below(2);
  const x = below(2);
  const take = (setup, not) => {
    const fresh = clips[setup].filter((clip) => clip !== not);
    const from = fresh.length > 0 ? fresh : clips[setup];
    return from[below(from.length)];
  };
  const A = take(a);
  const B = take(1 - a);
  const X = take(x === 0 ? a : 1 - a, x === 0 ? A : B);
  return { right: x === 0 ? "A" : "B", buffers: [A, B, X] };
}

function next() {
  if (answers.length >= data.trials) return finish();
  if (player) player.stop();
  trial = draw();
  player = new Player(context, trial.buffers);
  player.start(context.currentTime + 0.05);
  heard = { A: 0, B: 0, X: 0 };
  sounding = null;
  part("count").textContent = `Trial ${answers.length + 1} of ${data.trials}`;
  part("pads").replaceChildren(...["A", "B", "X"].map((label) => {
    const pad = document.createElement("button");
    pad.type = "button"; pad.className = "pad"; pad.textContent = label; pad.dataset.label = label;
    pad.setAttribute("aria-pressed", "false");
    pad.addEventListener("click", () => hear(label));
    return pad;
  }));
  part("answer").reset();
  allow();
  return show("trial");
}

function count() {
  if (!sounding) return;
  heard[sounding.label] += performance.now() - sounding.since;
  sounding.since = performance.now();
}

function hear(label) {
  count();
  player.play(["A", "B", "X"].indexOf(label));
  sounding = { label, since: performance.now() };
  for (const pad of part("pads").children) pad.setAttribute("aria-pressed", String(pad.dataset.label === label));
  setTimeout(() => { count(); allow(); }, HEARD_MS + 60);
}

function hush() {
  count();
  sounding = null;
  player.play(null);
  for (const pad of part("pads").children) pad.setAttribute("aria-pressed", "false");
}

function allow() {
  const missing = Object.keys(heard).filter((l) => heard[l] < HEARD_MS);
  const chosen = part("answer").querySelector("input:checked");
  part("send").disabled = missing.length > 0 || !chosen;
  part("missing").textContent = missing.length > 0 ? `Not heard yet: ${missing.join(", ")}.` : chosen ? "" : "Choose an answer.";
}

function text() {
  const who = (part("who").value.trim() || "visitor").replace(/[",;\r\n]/g, " ");
  const lines = answers.map((a, i) => `${i + 1}${a.choice}${a.right};`).join("");
  const mark = code(`${who}\n${lines}`);
  return ["person,clip,choice,right,code", ...answers.map((a, i) => `${who},${i + 1},${a.choice},${a.right},${mark}`)].join("\n");
}

function finish() {
  player.stop();
  player = undefined;
  part("count").textContent = "";
  const right = answers.filter((a) => a.choice === a.right).length;
  const p = chance(right, answers.length);
  const shown = p < 0.001 ? "less than 0.001" : p.toPrecision(2);
  part("score").textContent = `${right} of ${answers.length} right; guessing gives ${answers.length / 2} on average.`;
  part("meaning").textContent = p <= 0.05
    ? `By guessing alone one does so well with p = ${shown}. That is a hint that you heard it; one visitor in twenty gets such a score by guessing.`
    : `By guessing alone one does so well with p = ${shown}. That does not show that you heard it, and does not show that there is nothing to hear.`;
  part("text").value = text();
  show("end");
}

async function begin() {
  show("loading");
  context = new AudioContext({ sampleRate: data.rate_hz });
  await context.resume();
  const flat = data.clips.flat();
  const buffers = await load(context, flat, (share) => { part("loaded").value = share; });
  let at = 0;
  clips = data.clips.map((files) => files.map(() => { at += 1; return buffers[at - 1]; }));
  next();
}

if (page && part("begin")) {
  part("begin").disabled = true;
  fetch("data.json").then((r) => r.json()).then((got) => { data = got; part("begin").disabled = false; })
    .catch(() => { part("status").textContent = "The page's data could not be loaded. A browser loads them from a web host, not from a folder."; });
  part("begin").addEventListener("click", () => begin().catch(() => { part("status").textContent = "The sound could not be loaded; reload the page."; show("begin"); }));
  part("hush").addEventListener("click", hush);
  part("answer").addEventListener("change", allow);
  part("answer").addEventListener("submit", (event) => {
    event.preventDefault();
    answers.push({ choice: part("answer").querySelector("input:checked").value, right: trial.right });
    next();
  });
  part("who").addEventListener("input", () => { part("text").value = text(); });
  part("copy").addEventListener("click", () => { part("text").select(); navigator.clipboard?.writeText(part("text").value).then(() => { part("status").textContent = "Copied."; }); });
  part("again").addEventListener("click", () => { answers = []; next(); });
  document.addEventListener("keydown", (event) => {
    if (page.querySelector('section[data-part="trial"]').hidden || event.ctrlKey || event.altKey || event.metaKey) return;
    const label = event.key.toUpperCase();
    if (["A", "B", "X"].includes(label)) { event.preventDefault(); hear(label); }
    if (event.key === "Escape") hush();
  });
}
