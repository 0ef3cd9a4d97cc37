// The audience page: each visitor draws their own trials here, in the browser. Unguarded, and it says so. The player stands before it.
const data = JSON.parse(document.getElementById("data").textContent);
const [A, B, X] = data.labels;
const CHOICES = [A, B];
const ROWS = [X, A, B];
const HEARD_MS = 300;
const KEY = `cabjury-audience-${data.id}`;
const page = document.querySelector("main");
const part = (name) => document.getElementById(name);
let language = "en";
let context;
let player;
let heard = {};
let sounding = null;
let keeps = true;
const buffers = {};

// What is kept of a visitor, on a reload too.
let kept = { visitor: fresh(), run: 1, name: "", language: null, pair: 0, trials: data.usual, answers: [], draw: null, state: "begin" };

function fresh() {
  // 64 bits: with 32, two of ten thousand visitors would be alike in one audience of a hundred.
  const words = crypto.getRandomValues(new Uint32Array(2));
  return [...words].map((word) => word.toString(16).padStart(8, "0")).join("");
}

function keep() {
  try { localStorage.setItem(KEY, JSON.stringify(kept)); } catch { keeps = false; }
}

function recall() {
  try {
    const found = localStorage.getItem(KEY);
    if (found) kept = { ...kept, ...JSON.parse(found) };
  } catch { keeps = false; }
}

/** A text of the page with its values put in. */
function say(key, values = {}) {
  const all = { a: A, b: B, x: X, ...values };
  return (data.texts[language][key] ?? key).replace(/\{(\w+)\}/g, (as, name) => (name in all ? String(all[name]) : as));
}
const number = (value, digits) => new Intl.NumberFormat(language, { maximumFractionDigits: digits }).format(value);
const percent = (share) => new Intl.NumberFormat(language, { style: "percent", maximumSignificantDigits: share < 0.1 ? 2 : 3, maximumFractionDigits: 1 }).format(share >= 0.9995 && share < 1 ? 0.999 : share);
const shownP = (p) => (p < 0.001 ? `< ${number(0.001, 3)}` : `= ${new Intl.NumberFormat(language, { maximumSignificantDigits: 2 }).format(p)}`);

function speak(wanted) {
  language = wanted in data.texts ? wanted : "en";
  document.documentElement.lang = language;
  document.title = `${say("audience.title")} ${data.title}`;
  for (const one of document.querySelectorAll("[data-say]")) one.textContent = say(one.dataset.say);
  for (const one of part("languages").children) one.toggleAttribute("aria-current", one.lang === language);
  draw();
}

const wished = () => [...navigator.languages].map((tag) => tag.split("-")[0]).find((tag) => tag in data.texts) ?? "en";

function show(name) {
  kept.state = name === "loading" ? kept.state : name;
  for (const section of page.querySelectorAll("section[data-part]")) section.hidden = section.dataset.part !== name;
  draw();
  page.querySelector(`section[data-part="${name}"] h2`).focus();
  scrollTo(0, 0);
}

/** An unbiased whole number below n, from the browser's own generator. */
function below(n) {
  if (n < 2) return 0;
  const most = Math.floor(2 ** 32 / n) * n;
  const word = new Uint32Array(1);
  do crypto.getRandomValues(word); while (word[0] >= most);
  return word[0] % n;
}

/** FNV-1a, 32 bits, over the bytes of a text: shows what was lost on the way. A browser without a secure context has no SHA-256. */
function code(text) {
  let hash = 0x811c9dc5;
  for (const byte of new TextEncoder().encode(text)) hash = Math.imul(hash ^ byte, 0x01000193) >>> 0;
  return hash.toString(16).padStart(8, "0");
}

const two = () => data.pairs[kept.pair] ?? data.pairs[0];
const names = () => two().map((s) => data.setups[s]);

/** A fresh trial: which setup stands under A, which one X is, and which take sounds in each place. */
function drawn() {
  const pair = two();
  const a = below(2);
  const x = below(2);
  const take = (setup, not) => {
    const all = data.clips[setup].map((_, i) => i);
    const other = all.filter((i) => i !== not);
    const from = other.length > 0 ? other : all;
    return from[below(from.length)];
  };
  const [first, second] = [pair[a], pair[1 - a]];
  const slots = [[first, take(first)], [second, take(second)]];
  return { x, slots: [...slots, [slots[x][0], take(slots[x][0], slots[x][1])]] };
}

/** What is shown of the state, in the language that was chosen. */
function draw() {
  const n = kept.trials;
  const shows = data.choices.find((c) => c.trials === n);
  part("count").textContent = kept.state === "trial" ? say("count.trial", { n: kept.answers.length + 1, of: n }) : "";
  part("shows").textContent = say("audience.shows", { n, needed: shows.needed, p: percent(shows.tails[shows.needed]), half: percent(shows.half), all: percent(shows.all) });
  const going = kept.draw !== null && kept.state === "begin";
  part("begin").textContent = going ? say("audience.goon", { n: kept.answers.length + 1, of: n }) : say("audience.begin");
  part("fresh").hidden = !going;
  part("many").disabled = going;
  for (const one of part("many").querySelectorAll("input")) one.checked = Number(one.value) === n;
  if (part("pair")) {
    part("pair").disabled = going;
    part("pair").replaceChildren(...data.pairs.map((pair, i) => {
      const [first, second] = pair.map((s) => data.setups[s]);
      return new Option(say("audience.pair.one", { first, second }), String(i), false, i === kept.pair);
    }));
  }
  const [first, second] = names();
  part("two").textContent = say("audience.two", { first, second });
  const differs = data.differs[kept.pair] ?? [];
  part("differs").hidden = differs.length === 0;
  part("differs").nextElementSibling.replaceChildren(...differs.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
  const bytes = two().flatMap((s) => data.clips[s]).reduce((sum, clip) => sum + clip.bytes, 0);
  part("size").textContent = say("audience.size", { mb: number(Math.max(0.1, bytes / 1e6), 1) });
  part("keeping").textContent = say(keeps ? "audience.kept" : "audience.not-kept");
  if (kept.state === "trial") allow();
  if (kept.state === "end") ended();
}

function count() {
  if (!sounding) return;
  // The sound's own clock stands still while nothing sounds.
  if (context.state === "running") heard[sounding.label] += (context.currentTime - sounding.since) * 1000;
  sounding.since = context.currentTime;
}

function press(label) {
  for (const row of part("rows").children) row.querySelector("button").setAttribute("aria-pressed", String(row.dataset.label === label));
}

function hear(label) {
  if (!player) return;
  count();
  context.resume();
  player.play(data.labels.indexOf(label));
  sounding = { label, since: context.currentTime };
  press(label);
}

function hush() {
  if (!player) return;
  count();
  sounding = null;
  player.play(null);
  press(null);
}

function allow() {
  const missing = data.labels.filter((l) => !(heard[l] >= HEARD_MS));
  const chosen = part("answer").querySelector("input:checked");
  part("send").disabled = missing.length > 0 || !chosen;
  const text = missing.length > 0 ? say("trial.missing", { labels: missing.join(", ") }) : chosen ? "" : say("trial.choose");
  if (part("missing").textContent !== text) part("missing").textContent = text;
}

function rows() {
  const make = (tag, give, ...inside) => { const one = Object.assign(document.createElement(tag), give); one.append(...inside); return one; };
  part("rows").replaceChildren(...ROWS.map((label) => {
    const button = make("button", { type: "button", textContent: say("trial.hear") });
    button.setAttribute("aria-label", say("trial.hear.one", { label }));
    button.setAttribute("aria-pressed", "false");
    button.addEventListener("click", () => hear(label));
    const row = make("li", {}, make("span", { className: "letter", textContent: label }), button);
    row.dataset.label = label;
    if (CHOICES.includes(label)) {
      const input = make("input", { type: "radio", name: "choice", value: String(CHOICES.indexOf(label)) });
      row.append(make("label", {}, input, make("span", { className: "away", textContent: `${label}: ` }), say("audience.pick")));
    }
    return row;
  }));
}

function next() {
  player?.stop();
  player = undefined;
  if (kept.answers.length >= kept.trials) {
    kept.draw = null;
    show("end");
    return keep();
  }
  kept.draw ??= drawn();
  player = new Player(context, kept.draw.slots.map(([setup, take]) => buffers[setup][take]));
  player.start(context.currentTime + 0.05);
  heard = Object.fromEntries(data.labels.map((l) => [l, 0]));
  sounding = null;
  rows();
  show("trial");
  return keep();
}

const right = () => kept.answers.filter(([choice, x]) => choice === x).length;

/** The visitor's answers as one line: who, which visit, which pair, choice and truth of every trial as a digit, a name, a code over it all. */
function line() {
  const name = kept.name.trim().normalize("NFC").replace(/[^\p{L}\p{M}\p{N}._-]+/gu, "_");
  const digits = kept.answers.map(([choice, x]) => choice * 2 + x).join("");
  const text = `cabjury1:${kept.visitor}:${kept.run}:${names().join("/")}:${digits}:${name}`;
  return `${text}:${code(text)}`;
}

function ended() {
  const n = kept.answers.length;
  const p = (data.choices.find((c) => c.trials === n) ?? data.choices[0]).tails[right()];
  const meaning = say(p <= data.level ? "audience.hint" : "audience.no-hint", { p: shownP(p) });
  part("score").textContent = `${say("audience.score", { right: right(), n })}. ${say("audience.mean", { mean: number(n / 2, 1) })}`;
  part("meaning").textContent = meaning;
  part("run").hidden = kept.run < 2;
  part("run").textContent = say("audience.run", { n: kept.run });
  part("code").value = line();
  part("who").value = kept.name;
  if (part("mail")) part("mail").href = `mailto:${part("mail").dataset.to}?subject=${encodeURIComponent(`${say("audience.end")}: ${data.title}`)}&body=${encodeURIComponent(line())}`;
  picture(n, meaning);
}

/** The result as a picture to share, drawn here. */
function picture(n, meaning) {
  const canvas = part("card");
  const [wide, edge] = [1080, 80];
  const pen = canvas.getContext("2d");
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  canvas.width = wide; canvas.height = wide;
  pen.fillStyle = colour("--ground"); pen.fillRect(0, 0, wide, wide);
  let y = edge;
  const write = (text, size, ink, weight = 400) => {
    pen.fillStyle = colour(ink);
    pen.font = `${weight} ${size}px Arial, Helvetica, sans-serif`;
    let from = "";
    // Languages without spaces break between any two letters.
    const pieces = /[\u3040-\u30ff]/.test(text) ? [...text] : text.split(/(?<= )/);
    const put = (words) => { y += size * 1.05; pen.fillText(words.trim(), edge, y); y += size * 0.25; };
    for (const piece of pieces) {
      if (from && pen.measureText((from + piece).trim()).width > wide - 2 * edge) { put(from); from = ""; }
      from += piece;
    }
    if (from) put(from);
  };
  write(data.title, 40, "--soft");
  y += 10;
  write(say("audience.title"), 56, "--ink", 700);
  y += 30;
  write(say("audience.score", { right: right(), n }), 96, "--accent", 700);
  y += 40;
  const pitch = (wide - 2 * edge) / Math.max(n, 8);
  const radius = Math.min(pitch * 0.38, 34);
  pen.lineWidth = 6;
  for (let i = 0; i < n; i += 1) {
    pen.beginPath();
    pen.arc(edge + (i + 0.5) * pitch, y + radius, radius - 3, 0, 2 * Math.PI);
    pen.fillStyle = colour("--accent"); pen.strokeStyle = colour(i < right() ? "--accent" : "--soft");
    if (i < right()) pen.fill();
    pen.stroke();
  }
  // Where guessing gets on average.
  pen.strokeStyle = colour("--ink"); pen.beginPath();
  pen.moveTo(edge + (n / 2) * pitch, y - 22); pen.lineTo(edge + (n / 2) * pitch, y + 2 * radius + 22); pen.stroke();
  y += 2 * radius + 40;
  write(say("audience.mean", { mean: number(n / 2, 1) }), 34, "--ink");
  y += 12;
  const [first, second] = names();
  write(say("audience.two", { first, second }), 34, "--ink");
  y += 12;
  write(meaning, 34, "--ink");
  y += 12;
  write(say("audience.no-proof"), 34, "--soft");
  if (part("invented")) write(part("invented").textContent, 28, "--soft");
  canvas.setAttribute("aria-label", `${data.title}. ${part("score").textContent} ${say("audience.two", { first, second })} ${say("audience.no-proof")}`);
}

const card = () => new Promise((done) => { part("card").toBlob(done, "image/png"); });

async function save() {
  const to = document.createElement("a");
  to.href = URL.createObjectURL(await card());
  to.download = `${right()}-of-${kept.answers.length}.png`;
  to.click();
  setTimeout(() => URL.revokeObjectURL(to.href), 60000);
}

async function share() {
  const file = new File([await card()], "result.png", { type: "image/png" });
  await navigator.share({ files: [file], title: data.title }).catch((error) => { if (error.name !== "AbortError") throw error; });
}

async function begin() {
  part("status").textContent = "";
  show("loading");
  context ??= listened(new AudioContext({ sampleRate: data.rate_hz }));
  await context.resume();
  for (const setup of two()) {
    const done = two().indexOf(setup);
    buffers[setup] ??= await load(context, data.clips[setup].map((c) => c.url), (share) => { part("loaded").value = (done + share) / 2; });
  }
  const lengths = new Set(two().flatMap((setup) => buffers[setup].map((b) => b.length)));
  if (lengths.size > 1) throw new Error("lengths differ");
  next();
}

/** An interruption is said, and counts as nothing heard. */
function listened(sound) {
  sound.addEventListener("statechange", () => { part("muted").hidden = sound.state === "running" || kept.state !== "trial"; });
  return sound;
}

function anew(visitor) {
  const done = kept.answers.length > 0;
  kept = { ...kept, visitor: visitor ?? kept.visitor, run: visitor ? 1 : kept.run + (done ? 1 : 0), name: visitor ? "" : kept.name, answers: [], draw: null };
  keep();
  show("begin");
}

function wire() {
  part("begin").addEventListener("click", () => begin().catch((error) => {
    part("status").textContent = say("error.load");
    show("begin");
    console.warn(error);
  }));
  part("fresh").addEventListener("click", () => anew(null));
  part("many").addEventListener("change", (event) => { kept.trials = Number(event.target.value); keep(); draw(); });
  part("pair")?.addEventListener("change", () => { kept.pair = Number(part("pair").value); keep(); draw(); });
  part("hush").addEventListener("click", hush);
  part("on").addEventListener("click", () => context.resume());
  part("answer").addEventListener("change", allow);
  part("answer").addEventListener("submit", (event) => {
    event.preventDefault();
    kept.answers.push([Number(part("answer").querySelector("input:checked").value), kept.draw.x]);
    kept.draw = null;
    next();
  });
  part("who").addEventListener("input", () => { kept.name = part("who").value; keep(); ended(); });
  part("copy").addEventListener("click", () => {
    part("code").select();
    const told = (key) => () => { part("status").textContent = say(key); };
    if (navigator.clipboard) navigator.clipboard.writeText(part("code").value).then(told("receipt.copied"), told("receipt.marked"));
    else told("receipt.marked")();
  });
  part("save").addEventListener("click", save);
  part("share").hidden = !navigator.canShare?.({ files: [new File([], "a.png", { type: "image/png" })] });
  part("share").addEventListener("click", share);
  part("again").addEventListener("click", () => anew(null));
  part("other").addEventListener("click", () => anew(fresh()));
  for (const one of part("languages").children) one.addEventListener("click", () => { kept.language = one.lang; keep(); speak(one.lang); if (kept.state === "trial") { hush(); rows(); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  document.addEventListener("keydown", (event) => {
    if (kept.state !== "trial" || event.ctrlKey || event.altKey || event.metaKey) return;
    const label = data.labels.find((l) => event.code === `Key${l}` || event.code === `Digit${l}` || event.key.toUpperCase() === l);
    if (label && event.shiftKey && CHOICES.includes(label)) {
      event.preventDefault();
      part("answer").querySelector(`input[value="${CHOICES.indexOf(label)}"]`).click();
    } else if (label) {
      event.preventDefault();
      hear(label);
    }
    if (event.key === "Escape") hush();
  });
  setInterval(() => { if (sounding) { count(); allow(); } }, 100);
}

recall();
// A trial that was open goes on with a tap, for sound needs one.
if (kept.state === "trial") kept.state = "begin";
keep();
wire();
speak(kept.language ?? wished());
part("folder").hidden = data.inside || location.protocol !== "file:";
part("begin").disabled = !part("folder").hidden;
if (kept.state === "end") show("end");
