// The listening page: what the server says, shown; what the listener does, sent. It knows no more about a slot than its letter.
import { Player, load } from "./player.js";

const page = document.querySelector("main");
const code = page.dataset.code;
const api = page.dataset.api || `/api/l/${code}`;
const HEARD_MS = 300;
const BREAK_AFTER = 12;
const part = (name) => document.getElementById(name);
const pending = `cabjury-pick-${code}`;
const kept = `cabjury-receipt-${code}`;

let seat;            // what the server said last
let context;         // the audio context, after the first touch
let player;          // the player of the open trial
let trial;           // the open trial
let heard = {};      // per label: how often, how long
let sounding = null; // label, and since when on the audio clock
let beginning = false; // the level's noise is on its way
let sure = false;    // the confidence was said
let inARow = 0;
let awake;           // a wake lock, where the browser has one

/** Shows one part of the page and moves the focus to its heading. */
function show(name, focus = true) {
  for (const section of page.querySelectorAll("section[data-part]")) section.hidden = section.dataset.part !== name;
  const heading = page.querySelector(`section[data-part="${name}"] h2`);
  if (focus && heading) heading.focus({ preventScroll: false });
}

function say(text) { part("status").textContent = text; }

function progress() {
  const planned = seat.planned === null ? "" : ` of ${seat.planned}`;
  part("count").textContent = trial ? `Trial ${trial.number}${planned}` : `${seat.done}${planned} answered`;
}

const pause = (ms) => new Promise((go) => { setTimeout(go, ms); });

/** Asks until there is an answer: a lost connection is waited out, and said. */
async function ask(path, options = {}) {
  for (let wait = 500; ; wait = Math.min(wait * 2, 8000)) {
    try {
      const answer = await fetch(api + path, { cache: "no-store", credentials: "same-origin", ...options });
      if (![429, 500, 503].includes(answer.status)) {
        lost(false);
        return { status: answer.status, body: answer.status === 204 ? null : await answer.json() };
      }
      const body = await answer.json().catch(() => null);
      lost(true, body && body.error ? body.error.message : undefined);
    } catch {
      lost(true);
    }
    await pause(wait);
  }
}

function lost(is, why) {
  const note = part("lost");
  note.hidden = !is;
  if (is) part("lost-why").textContent = why ? `${why}.` : "The connection is lost.";
}

/** Where to go from what the server says. No sound goes on from one page to the next. */
function follow(body) {
  quiet();
  seat = body;
  trial = body.open_trial;
  progress();
  if (body.phase === "closed") return show("closed");
  if (body.phase === "done") {
    own(body.own_score);
    return show("done");
  }
  if (!context) return show("begin");
  if (inARow > 0 && inARow % BREAK_AFTER === 0 && !trial) return show("break");
  return show("ready");
}

/** A visitor's own count, where the page has a place for it. */
function own(score) {
  const place = part("own-score");
  if (!place || !score) return;
  const by = (score.trials * score.chance).toFixed(1);
  const p = score.p_value < 0.001 ? "less than 1 in 1000" : `${(100 * score.p_value).toFixed(1)} in 100`;
  place.textContent = `You had ${score.correct} of ${score.trials} right; guessing gives ${by} on average, and does as well in ${p} tries.`;
}

async function refresh() {
  const kept = localStorage.getItem(pending);
  if (kept) {
    // An answer that never reached the desk before the page was closed.
    const { id, body } = JSON.parse(kept);
    await send(id, body);
    return;
  }
  const { status, body } = await ask("");
  if (status === 200) follow(body);
  else show("gone");
}

/** The sound really runs: a suspended context (a phone call, a locked screen) plays nothing, and its clock stands still. */
const runs = () => Boolean(context) && context.state === "running";

/** The system took the sound away, or gave it back: nothing is counted meanwhile, and the page says so. */
function turned() {
  const gone = Boolean(context) && context.state !== "running";
  if (gone) {
    count();
    hush();
  }
  part("muted").hidden = !gone;
  allow();
}

async function unmute() {
  await context.resume().catch(() => undefined);
  turned();
}

async function begin() {
  // A second tap starts no second noise.
  if (beginning) return;
  beginning = true;
  try {
    await levels();
  } finally {
    beginning = false;
  }
}

async function levels() {
  if (!context) {
    context = new AudioContext(seat.rate_hz ? { sampleRate: seat.rate_hz } : {});
    context.addEventListener("statechange", turned);
  }
  await context.resume();
  if (navigator.wakeLock) awake = await navigator.wakeLock.request("screen").catch(() => undefined);
  if (sessionStorage.getItem(`level-${code}`)) return follow(seat);
  show("loading");
  bar(0);
  const buffers = await load(context, [`${api}/noise`], bar);
  quiet();
  player = new Player(context, buffers);
  player.start(context.currentTime + 0.05);
  player.play(0);
  return show("level");
}

async function levelIsSet() {
  quiet();
  sessionStorage.setItem(`level-${code}`, "1");
  await ask("/level", { method: "POST" });
  follow(seat);
}

function quiet() {
  if (player) player.stop();
  player = undefined;
  sounding = null;
}

function bar(share) { part("loaded").value = share; }

async function next() {
  show("loading");
  bar(0);
  if (context.state !== "running") await context.resume();
  if (!trial) {
    const { status, body } = await ask("/trials", { method: "POST" });
    if (status === 201) trial = body;
    else if (body && body.open_trial) trial = body.open_trial;
    else if (body && body.phase) return follow(body);
    else return problem(body);
  }
  try {
    const buffers = await load(context, trial.slots.map((s) => s.audio), bar);
    quiet();
    player = new Player(context, buffers);
  } catch {
    // The trial may be void by now, or the desk is away: the server knows.
    const { body } = await ask("");
    if (body.open_trial && body.open_trial.trial === trial.trial) { await pause(1000); return next(); }
    trial = null;
    return follow(body);
  }
  player.start(context.currentTime + 0.05);
  heard = Object.fromEntries(trial.slots.map((s) => [s.label, { times: 0, ms: 0 }]));
  build();
  progress();
  return show("trial");
}

function problem(body) {
  say(body && body.error ? `${body.error.message}. ${body.error.next}.` : "Something went wrong; reload the page.");
  show("ready");
}

/** Pads, choices, and what else the plan asks for. */
function build() {
  const pads = part("pads");
  pads.replaceChildren(...trial.slots.map((slot) => {
    const pad = document.createElement("button");
    pad.type = "button";
    pad.className = "pad";
    pad.textContent = slot.label;
    pad.setAttribute("aria-pressed", "false");
    pad.dataset.label = slot.label;
    pad.addEventListener("click", () => hear(slot.label));
    return pad;
  }));
  const rates = seat.method === "graded";
  part("choices").replaceChildren(...trial.choices.map((choice) => {
    const label = document.createElement("label");
    const input = document.createElement("input");
    if (rates) {
      input.type = "range"; input.min = 0; input.max = 100; input.value = 50; input.dataset.label = choice;
      const shown = document.createElement("output");
      shown.textContent = "50";
      input.addEventListener("input", () => { shown.textContent = input.value; input.dataset.moved = "1"; allow(); });
      label.append(`${choice} `, input, shown);
    } else {
      input.type = "radio"; input.name = "choice"; input.value = choice;
      input.addEventListener("change", allow);
      label.append(input, ` ${choice}`);
    }
    return label;
  }));
  part("remark").value = "";
  part("confidence").value = 50;
  part("said").textContent = "not said";
  sure = false;
  part("extra").hidden = !seat.asks_confidence;
  part("sent").hidden = true;
  allow();
}

function count() {
  if (!sounding) return;
  const now = context.currentTime;
  if (now <= sounding.since) return;
  heard[sounding.label].ms += Math.round((now - sounding.since) * 1000);
  sounding = { label: sounding.label, since: now };
}

function hear(label) {
  if (!player) return;
  if (!runs()) { turned(); return; }
  count();
  const place = trial.slots.findIndex((s) => s.label === label);
  player.play(place);
  heard[label].times += 1;
  // A switch is heard from the end of its fades on.
  sounding = { label, since: context.currentTime + 0.05 };
  press(label);
  setTimeout(() => { count(); allow(); }, HEARD_MS + 120);
  allow();
}

function hush() {
  count();
  sounding = null;
  if (player) player.play(null);
  press(null);
}

function press(label) {
  for (const pad of part("pads").children) pad.setAttribute("aria-pressed", String(pad.dataset.label === label));
}

function chosen() {
  if (seat.method === "graded") {
    const rated = [...part("choices").querySelectorAll("input")];
    if (rated.some((r) => !r.dataset.moved)) return null;
    return rated.map((r) => `${r.dataset.label}=${r.value}`).join(",");
  }
  const one = part("choices").querySelector("input:checked");
  return one ? one.value : null;
}

/** The answer may be sent once every slot has sounded and something is chosen; what is missing is said. */
function allow() {
  if (!trial) return;
  const unheard = trial.slots.map((s) => s.label).filter((l) => !heard[l] || heard[l].ms < HEARD_MS);
  const ready = unheard.length === 0 && chosen() !== null;
  part("send").disabled = !ready;
  part("missing").textContent = unheard.length > 0 ? `Not heard yet: ${unheard.join(", ")}.`
    : chosen() === null ? (seat.method === "graded" ? "Move every slider." : "Choose an answer.") : "";
}

async function pick(event) {
  event.preventDefault();
  count();
  const asked = seat.asks_confidence;
  const body = {
    choice: chosen(),
    confidence: asked && sure ? Number(part("confidence").value) : null,
    remark: asked && part("remark").value.trim() ? part("remark").value.trim() : null,
    heard: Object.entries(heard).map(([label, h]) => ({ label, times: h.times, ms: h.ms })),
  };
  hush();
  part("send").disabled = true;
  part("sent").hidden = false;
  const id = trial.trial;
  localStorage.setItem(pending, JSON.stringify({ id, body }));
  await send(id, body);
}

async function send(id, body) {
  const { status, body: answer } = await ask(`/trials/${id}/pick`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  localStorage.removeItem(pending);
  quiet();
  trial = null;
  if (status === 200) {
    inARow += 1;
    say("Your answer is saved.");
    receipt(answer.receipt);
    return follow(answer);
  }
  say(answer && answer.error ? `${answer.error.message}.` : "");
  if (answer && answer.phase) return follow(answer);
  return refresh();
}

/** The receipt stays on this device: with it a listener can later find their answers in the session's log. */
function receipt(one) {
  if (!one) return;
  const whole = JSON.parse(localStorage.getItem(kept)) || {
    format: "cabjury receipt 1", session_id: one.session_id, test: one.test, listener_sha256: one.listener_sha256, trials: [],
  };
  whole.trials = whole.trials.filter((t) => t.trial !== one.trial);
  whole.trials.push({ trial: one.trial, commitment_sha256: one.commitment_sha256, head_sha256: one.head_sha256, at: one.at });
  localStorage.setItem(kept, JSON.stringify(whole));
  offer();
}

/** Offers what is kept here, also after the page was closed and opened again. */
function offer() {
  const whole = JSON.parse(localStorage.getItem(kept));
  if (!whole) return;
  const link = part("receipt-file");
  link.href = `data:application/json;charset=utf-8,${encodeURIComponent(`${JSON.stringify(whole, null, 1)}\n`)}`;
  link.download = `receipt-${whole.test}.json`;
  part("receipt-text").value = JSON.stringify(whole);
  part("receipt").hidden = false;
}

async function copyReceipt() {
  const field = part("receipt-text");
  field.select();
  // Without encryption a browser gives no access to the clipboard: then the text is marked, ready to be copied by hand.
  const done = navigator.clipboard ? await navigator.clipboard.writeText(field.value).then(() => true, () => false) : false;
  part("receipt-said").textContent = done ? "Copied." : "The text is marked: copy it.";
}

document.addEventListener("keydown", (event) => {
  if (page.querySelector('section[data-part="trial"]').hidden || event.ctrlKey || event.altKey || event.metaKey) return;
  const field = event.target.closest("textarea, input[type=range]");
  if (field) return;
  const label = event.key.toUpperCase();
  if (trial && trial.slots.some((s) => s.label === label)) { event.preventDefault(); hear(label); }
  if (event.key === "Escape") { event.preventDefault(); hush(); }
});
part("begin").addEventListener("click", () => begin().catch(() => { say("The sound could not be started; reload the page."); }));
part("level-set").addEventListener("click", levelIsSet);
part("next").addEventListener("click", next);
part("go-on").addEventListener("click", next);
part("hush").addEventListener("click", hush);
part("confidence").addEventListener("input", () => { sure = true; part("said").textContent = part("confidence").value; });
part("receipt-copy").addEventListener("click", copyReceipt);
part("unmute").addEventListener("click", unmute);
part("answer").addEventListener("submit", pick);
// A page that comes back from the browser's own store has an old trial in it.
window.addEventListener("pageshow", (event) => { if (event.persisted) window.location.reload(); });
document.addEventListener("visibilitychange", async () => {
  if (document.visibilityState === "visible" && awake && awake.released) {
    awake = await navigator.wakeLock.request("screen").catch(() => undefined);
  }
});
offer();
refresh();
