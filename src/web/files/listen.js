// The listening page: what the server says, shown; what the listener does, sent. It knows no more about a slot than its letter.
import { asking, own, present, reason, status, trouble, watchEnd } from "./desk-side.js";
import { Player, load } from "./player.js";
import { attend, begins, ends, piece, whole } from "./piece.js";
import { keep, offer } from "./receipt.js";
import { open as openRows, ordered, press, rows, unsaid } from "./rows.js";
import { say } from "./words.js";

const page = document.querySelector("main");
const code = page.dataset.code;
// Visitors of an audience ask elsewhere, and see their own count when they are through.
const visitors = Boolean(page.dataset.api);
const api = page.dataset.api || `/api/l/${code}`;
const ask = asking(api);
const HEARD_MS = 300;
const BREAK_AFTER = 12;
const part = (name) => document.getElementById(name);
const pending = `cabjury-pick-${code}`;
const kept = `cabjury-receipt-${code}`;
const [level, row] = [`level-${code}`, `row-${code}`];

let seat;            // what the server said last
let context;         // the audio context, after the first touch
let player;          // the one player: noise, training, or trial
let trial;           // the open trial
let heard = {};      // per label: how often, how long
let sounding = null; // label, and since when on the audio clock
let work = 0;        // what is being done now; what was begun before it comes to nothing
let noise = false;   // the level's noise sounds, or is on its way
let lossless = document.createElement("audio").canPlayType("audio/flac") !== "";
let awake;           // a wake lock, where the browser has one
const elsewhere = new BroadcastChannel("cabjury-sound");

/** Begins something else: whatever was on its way is dropped when it arrives. */
const turnTo = () => { work += 1; return work; };
const inPart = (name) => !page.querySelector(`section[data-part="${name}"]`).hidden;
const pause = (ms) => new Promise((go) => { setTimeout(go, ms); });
const inARow = () => Number(sessionStorage.getItem(row) ?? 0);

/** Shows one part of the page and moves the focus to its heading. */
function show(name) {
  for (const section of page.querySelectorAll("section[data-part]")) section.hidden = section.dataset.part !== name;
  page.querySelector(`section[data-part="${name}"] h2`).focus({ preventScroll: false });
  turned();
}

function progress() {
  const open = seat.planned === null ? ".open" : "";
  part("count").textContent = trial ? say(`count.trial${open}`, { n: trial.number, of: seat.planned })
    : say(`count.done${open}`, { n: seat.done, of: seat.planned });
}

/** Where to go from what the server says. No sound goes on from one page to the next. */
function follow(body) {
  turnTo();
  quiet();
  seat = body;
  trial = body.open_trial;
  progress();
  if (body.phase === "closed") { show("closed"); return own(ask); }
  if (body.phase === "done") { show("done"); return visitors ? own(ask) : undefined; }
  if (!context) return show("begin");
  if (inARow() > 0 && inARow() % BREAK_AFTER === 0 && !trial) return show("break");
  const left = BREAK_AFTER - (inARow() % BREAK_AFTER);
  part("rest").textContent = left > 3 ? "" : left === 1 ? say("ready.break.one") : say("ready.break", { n: left });
  part("training").hidden = Boolean(trial) || visitors;
  part("training").open = false;
  return show("ready");
}

async function refresh() {
  const unsent = localStorage.getItem(pending);
  if (unsent) {
    // An answer that never reached the desk before the page was closed.
    const { id, body } = JSON.parse(unsent);
    return send(id, body);
  }
  const { status: code, body } = await ask("");
  return code === 200 ? follow(body) : show("gone");
}

/** The sound really runs: a suspended context (a phone call, a locked screen) plays nothing, and its clock stands still. */
const runs = () => Boolean(context) && context.state === "running";

/** The system took the sound away, or gave it back: nothing is counted meanwhile, and the page says so. A start that takes its time is no
 *  interruption yet. */
function turned() {
  const gone = Boolean(context) && !runs() && (Boolean(player) || inPart("trial"));
  if (gone) {
    count();
    hush();
    if (noise) quiet();
  }
  part("muted").hidden = !gone && !(part("muted").hidden === false && Boolean(context) && !runs());
  allow();
}

async function unmute() {
  const again = inPart("level");
  await context.resume().catch(() => undefined);
  turned();
  if (runs() && again && !noise) level_noise(true);
}

/** Asks for the sound within the touch, as browsers want it, and goes on without waiting for it. */
function begin() {
  try {
    context ??= new AudioContext(seat.rate_hz ? { sampleRate: seat.rate_hz } : {});
  } catch {
    return trouble(say("error.sound"));
  }
  context.onstatechange = turned;
  context.resume().catch(() => undefined);
  if (navigator.wakeLock) navigator.wakeLock.request("screen").then((lock) => { awake = lock; }, () => undefined);
  if (sessionStorage.getItem(level)) return follow(seat);
  show("level");
  return level_noise(true);
}

/** One more tap stops it, also while it is still on its way. */
async function level_noise(on) {
  const mine = turnTo();
  quiet();
  noise = on;
  paint();
  status("");
  if (!on) return;
  status(say("level.starting"));
  try {
    const [buffers] = await Promise.all([load(context, [`${api}/noise`], () => undefined), context.resume()]);
    if (mine !== work) return;
    begun(buffers);
    player.play(0);
    trouble();
  } catch {
    if (mine !== work) return;
    noise = false;
    trouble(say("error.sound"));
  }
  status("");
  paint();
}

function paint() {
  part("noise").textContent = say(noise ? "level.stop" : "level.play");
  part("noise").setAttribute("aria-pressed", String(noise));
}

async function levelIsSet() {
  const mine = turnTo();
  quiet();
  status("");
  sessionStorage.setItem(level, "1");
  await ask("/level", { method: "POST" });
  if (mine === work) follow(seat);
}

/** The one player, of these sounds; what sounded before is ended. */
function begun(buffers, looped = null) {
  if (player) player.stop();
  player = new Player(context, buffers, looped);
  player.start(context.currentTime + 0.05);
  elsewhere.postMessage("sounding");
}

/** Ends all sound of this page. */
function quiet() {
  count();
  if (player) player.stop();
  player = undefined;
  sounding = null;
  noise = false;
  paint();
  press(part("openly"), null);
}

const bar = (share) => { part("loaded").value = share; };
/** The slots' sounds; a smaller lossless address is taken where there is one and the browser reads it. */
async function slots(list) {
  const small = lossless && list.every((s) => s.flac);
  return load(context, list.map((s) => (small ? s.flac : s.audio)), bar);
}

async function next() {
  const mine = turnTo();
  quiet();
  show("loading");
  bar(0);
  if (!runs()) context.resume().catch(() => undefined);
  if (!trial) {
    const { status: code, body } = await ask("/trials", { method: "POST" });
    if (mine !== work) return undefined;
    if (code === 201) trial = body;
    else if (body?.open_trial) trial = body.open_trial;
    else if (body?.phase) return follow(body);
    else { show("ready"); return trouble(reason(body)); }
  }
  for (;;) {
    try {
      const buffers = await slots(trial.slots);
      if (mine !== work) return undefined;
      trouble();
      begun(buffers, piece);
      break;
    } catch {
      if (mine !== work) return undefined;
      // Too many at once, or not read after all: plain files need no turn.
      lossless = false;
      trouble(say("error.load"));
      // The trial may be void by now, or the desk is away: the server knows.
      const { body } = await ask("");
      if (mine !== work) return undefined;
      if (body.open_trial?.trial !== trial.trial) { trial = null; trouble(); return follow(body); }
      await pause(1000);
    }
  }
  status("");
  heard = Object.fromEntries(trial.slots.map((s) => [s.label, { times: 0, ms: 0 }]));
  build();
  progress();
  return show("trial");
}

/** The rows, and what else the plan asks for. */
function build() {
  part("samples").replaceChildren(...rows(trial, { method: seat.method, word: page.dataset.word, tapped: hear, changed: allow }));
  part("remark").value = "";
  unsay();
  part("extra").hidden = !seat.asks_confidence;
  attend(player, looped);
  allow();
}

function unsay() {
  unsaid(part("confidence"), () => { part("said").textContent = part("confidence").value; part("unsay").hidden = false; });
  part("said").textContent = say("extra.unsaid");
  part("unsay").hidden = true;
}

/** What has sounded since it was asked last, on the audio clock, which stands still when no sound runs. */
function count() {
  if (!sounding) return;
  const now = context.currentTime;
  if (now <= sounding.since) return;
  heard[sounding.label].ms += Math.round((now - sounding.since) * 1000);
  sounding = { label: sounding.label, since: now };
}

function hear(label) {
  if (!player || !trial) return;
  if (!runs()) { turned(); return; }
  elsewhere.postMessage("sounding");
  status("");
  count();
  player.play(trial.slots.findIndex((s) => s.label === label));
  heard[label].times += 1;
  // A switch is heard from the end of its fades on.
  sounding = { label, since: context.currentTime + 0.05 };
  press(part("samples"), label);
  setTimeout(() => { count(); allow(); }, HEARD_MS + 120);
  allow();
}

function hush() {
  count();
  sounding = null;
  if (player) player.play(null);
  press(part("samples"), null);
  press(part("openly"), null);
}

/** The loop begins anew, with the fades of a switch. */
function looped() {
  count();
  player.loop(piece);
  if (sounding) sounding.since = context.currentTime + 0.05;
}

function chosen() {
  if (seat.method === "graded") {
    const rated = [...part("samples").querySelectorAll("input[type=range]")];
    return rated.some((r) => !r.dataset.said) ? null : rated.map((r) => `${r.dataset.label}=${r.value}`).join(",");
  }
  return part("samples").querySelector("input:checked")?.value ?? null;
}

/** The answer may be sent once every slot has sounded and something is chosen; what is missing is said. */
function allow() {
  if (!trial || !inPart("trial")) return;
  const unheard = ordered(trial).filter((l) => heard[l].ms < HEARD_MS);
  for (const one of part("samples").children) one.querySelector(".heard").textContent = say(unheard.includes(one.dataset.label) ? "trial.unheard" : "trial.heard");
  part("send").disabled = unheard.length > 0 || chosen() === null;
  part("missing").textContent = unheard.length > 0 ? say("trial.missing", { labels: unheard.join(", ") })
    : chosen() === null ? say(seat.method === "graded" ? "trial.rate" : "trial.choose") : "";
}

async function pick(event) {
  event.preventDefault();
  count();
  const asked = seat.asks_confidence;
  const sure = part("confidence");
  const remark = part("remark").value.trim();
  const body = {
    choice: chosen(),
    confidence: asked && sure.dataset.said ? Number(sure.value) : null,
    remark: asked && remark ? remark : null,
    heard: Object.entries(heard).map(([label, h]) => ({ label, times: h.times, ms: h.ms })),
  };
  hush();
  part("send").disabled = true;
  status(say("sending"));
  const id = trial.trial;
  localStorage.setItem(pending, JSON.stringify({ id, body }));
  await send(id, body);
}

async function send(id, body) {
  const { status: code, body: answer } = await ask(`/trials/${id}/pick`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  localStorage.removeItem(pending);
  if (code === 200) {
    sessionStorage.setItem(row, String(inARow() + 1));
    follow(answer);
    status(say("saved"));
    trouble();
    return keep(kept, answer.receipt);
  }
  if (answer?.phase) follow(answer); else await refresh();
  return trouble(answer?.phase ? say("error.late") : reason(answer));
}

/** What is compared, openly, before a trial. */
async function openly() {
  if (!part("training").open) return quiet();
  const mine = turnTo();
  const { status: code, body } = await ask("/training", { method: "POST" });
  if (mine !== work) return undefined;
  if (code !== 200) return trouble(reason(body));
  part("drawn").hidden = !body.samples;
  let ready;
  const tapped = async (place) => {
    const turn = turnTo();
    context.resume().catch(() => undefined);
    try {
      ready ??= load(context, body.sounds.map((s) => s.audio), () => undefined);
      const buffers = await ready;
      if (turn !== work) return;
      if (!player) begun(buffers); else elsewhere.postMessage("sounding");
      player.play(place);
      trouble();
      press(part("openly"), String(place));
      turned();
    } catch {
      ready = undefined;
      if (turn === work) trouble(say("error.sound"));
    }
  };
  return part("openly").replaceChildren(...openRows(body, tapped));
}

/** Keys by letter and by the row's number, also with a slider in focus; what is typed into a field plays nothing. */
document.addEventListener("keydown", (event) => {
  if (!trial || !inPart("trial") || event.ctrlKey || event.altKey || event.metaKey || event.target.closest("textarea")) return;
  const labels = ordered(trial);
  const typed = event.code.match(/^(?:Digit|Numpad)(\d)$/)?.[1] ?? event.key.toUpperCase();
  const digits = labels.some((l) => /^\d$/.test(l));
  const label = labels.find((l) => l === typed) ?? (digits ? undefined : labels[Number(typed) - 1]);
  const others = { ESCAPE: hush, S: begins, E: ends, W: whole };
  if (label === undefined && !others[typed]) return;
  event.preventDefault();
  if (label === undefined) return others[typed]();
  if (!event.shiftKey) return hear(label);
  const choice = part("samples").querySelector(`li[data-label="${label}"] input`);
  if (!choice) return undefined;
  choice.focus();
  return choice.type === "radio" ? choice.click() : undefined;
});
part("begin").addEventListener("click", begin);
part("noise").addEventListener("click", () => level_noise(!noise));
part("level-set").addEventListener("click", levelIsSet);
part("next").addEventListener("click", next);
part("go-on").addEventListener("click", next);
part("hush").addEventListener("click", hush);
part("unsay").addEventListener("click", unsay);
part("unmute").addEventListener("click", unmute);
part("training").addEventListener("toggle", openly);
part("answer").addEventListener("submit", pick);
elsewhere.addEventListener("message", () => {
  if (!player) return;
  if (noise) quiet(); else hush();
  status(say("elsewhere"));
});
// A page that comes back from the browser's own store has an old trial in it.
window.addEventListener("pageshow", (event) => { if (event.persisted) window.location.reload(); });
document.addEventListener("visibilitychange", async () => {
  if (document.visibilityState === "visible" && awake && awake.released) {
    awake = await navigator.wakeLock.request("screen").catch(() => undefined);
  }
});
if (!visitors) {
  present(api);
  watchEnd(api, () => inPart("done"), follow);
}
offer(kept);
refresh();
