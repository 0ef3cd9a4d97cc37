// What the browser's tests share: the program, a Chromium, invented sound.
import { chromium } from "playwright-core";
import axe from "axe-core";
import { spawn, execFileSync } from "node:child_process";
import { mkdtempSync, mkdirSync, writeFileSync, rmSync, existsSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import assert from "node:assert/strict";

export const program = process.env.CABJURY ?? new URL("../../target/debug/cabjury", import.meta.url).pathname;
export const shots = process.env.CABJURY_SHOTS;
const chromiumPath = ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find((p) => existsSync(p));

export async function browser() {
  return chromium.launch({ executablePath: chromiumPath, chromiumSandbox: false, args: ["--autoplay-policy=user-gesture-required"] });
}

/** A folder of its own. */
export function folder() {
  const path = mkdtempSync(join(tmpdir(), "cabjury-browser-"));
  return { path, at: (name) => join(path, name), gone: () => rmSync(path, { recursive: true, force: true }) };
}

/** Runs the program to its end. */
export function run(...args) {
  return execFileSync(program, args, { encoding: "utf8", stdio: ["ignore", "pipe", "pipe"] });
}

/** Opens a desk and reads its one line. */
export async function desk(session, ...args) {
  const child = spawn(program, ["desk", session, "--json", ...args], { stdio: ["ignore", "pipe", "inherit"] });
  const line = await new Promise((ready, failed) => {
    let text = "";
    child.stdout.on("data", (part) => { text += part; if (text.includes("\n")) ready(text); });
    child.on("exit", (code) => failed(new Error(`desk ended with ${code}: ${text}`)));
  });
  // A test that fails leaves no desk behind.
  process.on("exit", () => child.kill("SIGKILL"));
  const close = () => new Promise((done) => { child.removeAllListeners("exit"); child.on("exit", (code) => done(code)); child.kill("SIGTERM"); });
  return { ...JSON.parse(line), child, close };
}

/** Invented sound: plucked notes with decaying harmonics; `tilt` mixes a one-pole low-pass in, `seed` is another take. */
export function riff(seconds, rate, tilt, seed, later = 0) {
  const frames = Math.round(seconds * rate);
  const out = new Float64Array(frames);
  const notes = [82.41, 110, 146.83, 98, 123.47, 164.81, 87.31];
  for (let n = 0; n * 0.35 + 0.3 < seconds; n += 1) {
    const start = Math.round((n * 0.35 + 0.3) * rate) + later;
    for (let h = 1; h <= 12; h += 1) {
      const w = 2 * Math.PI * notes[n % notes.length] * h / rate;
      for (let i = 0; start + i < frames && i < rate; i += 1) out[start + i] += (0.2 / h) * Math.exp(-i * (1.5 + h * 0.6) / rate) * Math.sin(w * i + h);
    }
  }
  let state = BigInt(seed) * 7919n + 1n;
  let low = 0;
  for (let i = 0; i < frames; i += 1) {
    state = (state * 6364136223846793005n + 1442695040888963407n) & 0xffffffffffffffffn;
    out[i] += 0.0001 * (Number(state >> 33n) / 2 ** 31 - 0.5);
    low += 0.25 * (out[i] - low);
    out[i] = (1 - tilt) * out[i] + tilt * low;
  }
  return out;
}

/** Writes mono 24-bit WAV. */
export function wav(path, samples, rate) {
  const data = Buffer.alloc(44 + samples.length * 3);
  data.write("RIFF", 0); data.writeUInt32LE(36 + samples.length * 3, 4); data.write("WAVEfmt ", 8);
  data.writeUInt32LE(16, 16); data.writeUInt16LE(1, 20); data.writeUInt16LE(1, 22);
  data.writeUInt32LE(rate, 24); data.writeUInt32LE(rate * 3, 28); data.writeUInt16LE(3, 32); data.writeUInt16LE(24, 34);
  data.write("data", 36); data.writeUInt32LE(samples.length * 3, 40);
  samples.forEach((v, i) => data.writeIntLE(Math.max(-8388608, Math.min(8388607, Math.round(v * 8388608))), 44 + i * 3, 3));
  writeFileSync(path, data);
  return path;
}

/** Two setups of two takes each, matched, with a sealed ABX test. */
export function session(home, trials, ...more) {
  const rate = 48000;
  const file = (name, tilt, seed) => wav(home.at(name), riff(2.2, rate, tilt, seed, seed * 13), rate);
  run("new", home.at("s"), `mild=${file("a1.wav", 0, 1)}`, `dark=${file("b1.wav", 0.5, 2)}`);
  run("take", home.at("s"), file("b2.wav", 0.5, 3), "--setup", "dark");
  run("take", home.at("s"), file("a2.wav", 0, 4), "--setup", "mild");
  run("match", home.at("s"));
  run("plan", home.at("s"), "--compare", "mild,dark", "--trials", String(trials), ...more);
  return home.at("s");
}

/** No fault that axe can find, at the level of WCAG 2.2 AA. */
export async function accessible(page, what) {
  await page.evaluate(axe.source);
  const found = await page.evaluate(() => window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
  const faults = found.violations.map((v) => `${v.id}: ${v.help} (${v.nodes.map((n) => n.target).join("; ")})`);
  assert.deepEqual(faults, [], what);
}

/** Nothing is wider than the window. */
export async function fits(page, what) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${what}: ${wide} px too wide`);
}

/** A picture, where pictures are wanted. */
export async function shot(page, name) {
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await page.screenshot({ path: join(shots, `${name}.png`), fullPage: true });
}

/** Everything that the page's console complains about. */
export function complaints(page) {
  const all = [];
  page.on("console", (m) => { if (["error", "warning"].includes(m.type())) all.push(m.text()); });
  page.on("pageerror", (e) => all.push(String(e)));
  return all;
}

/** The button that sounds a sample, and the choice in its row. */
export const hear = (page, label) => page.getByRole("button", { name: `Hear ${label}`, exact: true });
export const choose = (page, label) => page.getByRole("radio", { name: new RegExp(`^${label}: `) });

/** From the invitation to the first trial's rows. */
export async function toTrial(page, url) {
  await page.goto(url);
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByRole("button", { name: "Next trial" }).click();
  await hear(page, "A").waitFor();
}

/** Hears every sample. */
export async function hearAll(page, labels = ["A", "B", "X"]) {
  for (const label of labels) {
    await hear(page, label).click();
    await page.waitForTimeout(420);
  }
}

/** Hears every sample and answers. */
export async function answer(page, choice) {
  await hearAll(page);
  await choose(page, choice).check();
  await page.getByRole("button", { name: "Send the answer" }).click();
}

/** Records what leaves the page: every sound on its way to the loudspeaker passes a meter first. */
export async function meter(page) {
  await page.addInitScript(() => {
    const Real = window.AudioContext;
    window.AudioContext = class extends Real { constructor(...a) { super(...a); window.theContext = this; } };
    const connect = AudioNode.prototype.connect;
    AudioNode.prototype.connect = function through(to, ...rest) {
      if (to instanceof AudioDestinationNode && !(this instanceof AnalyserNode)) {
        to.meter ??= (() => { const meter = new AnalyserNode(to.context, { fftSize: 2048 }); connect.call(meter, to); return meter; })();
        return connect.call(this, to.meter, ...rest);
      }
      return connect.call(this, to, ...rest);
    };
    window.loudest = async (ms) => {
      const meter = window.theContext?.destination.meter;
      if (!meter) return 0;
      const samples = new Float32Array(meter.fftSize);
      let most = 0;
      for (const end = performance.now() + ms; performance.now() < end;) {
        meter.getFloatTimeDomainData(samples);
        most = samples.reduce((m, v) => Math.max(m, Math.abs(v)), most);
        await new Promise((go) => { setTimeout(go, 20); });
      }
      return most;
    };
  });
}

/** The loudest sample that left the page in so many milliseconds. */
export const loudest = (page, ms = 300) => page.evaluate((time) => window.loudest(time), ms);
