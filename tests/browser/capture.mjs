// The listening page's sound as it leaves the browser, recorded from a PulseAudio null sink and compared with the slots' files sample by
// sample. Run by `tests/long capture`, which sets the sound server up; too much machinery for every run of the suite, where the same
// switch is rendered offline.
import assert from "node:assert/strict";
import { join } from "node:path";
import { chromium } from "playwright-core";
import { spawn } from "node:child_process";
import { readFileSync } from "node:fs";
import { desk, folder, hear, session } from "./support.mjs";
const home = folder();
const at = await desk(session(home, 2), "--invite", "ann");
const recording = join(home.path, "rec.f32");
const b = await chromium.launch({ executablePath: "/usr/bin/chromium", chromiumSandbox: false, ignoreDefaultArgs: ["--mute-audio"], env: { ...process.env } });
const page = await b.newPage();
await page.goto(at.invitations[0].url);
await page.getByRole("button", { name: "Set the level" }).click();
await page.getByRole("button", { name: "The level is set" }).click();
await page.getByRole("button", { name: "Next trial" }).click();
await hear(page, "A").waitFor();
const rec = spawn("parec", ["--device=null.monitor", "--format=float32le", "--rate=48000", "--channels=2", "--raw", recording], { env: process.env });
await page.waitForTimeout(1500);
await hear(page, "A").click();
await page.waitForTimeout(1500);
await hear(page, "B").click();
await page.waitForTimeout(1500);
await hear(page, "B").click();
await page.waitForTimeout(1500);
rec.kill("SIGINT");
await page.waitForTimeout(300);
const seat = await (await page.request.get(at.invitations[0].url.replace("/l/", "/api/l/"))).json();
const wav = async (i) => { const bytes = await (await page.request.get(new URL(seat.open_trial.slots[i].audio, at.url).href)).body(); const at0 = bytes.indexOf("data") + 8; const n = (bytes.length - at0) / 3; const out = new Float64Array(n); for (let k = 0; k < n; k += 1) out[k] = bytes.readIntLE(at0 + 3 * k, 3) / 8388608; return out; };
const [A, B] = [await wav(0), await wav(1)];
await b.close(); await at.close();
const raw = readFileSync(recording);
home.gone(); const x = new Float32Array(raw.buffer, raw.byteOffset, Math.floor(raw.length / 8) * 2);
const left = Float64Array.from({ length: x.length / 2 }, (_, i) => x[2 * i]);
const right = Float64Array.from({ length: x.length / 2 }, (_, i) => x[2 * i + 1]);
assert.ok(left.every((v, i) => v === right[i]), "mono sounds alike on both sides");
// Runs of exact zeros.
const zeros = []; let start = -1;
for (let i = 0; i <= left.length; i += 1) { if (i < left.length && left[i] === 0) { if (start < 0) start = i; } else if (start >= 0) { if (i - start >= 300) zeros.push([start, i - start]); start = -1; } }
// Before the first sound, then one silence of 10 ms in each switch: to another slot, and to itself.
assert.deepEqual(zeros.slice(1).map((z) => z[1]), [480, 480]);
const first = zeros[0][0] + zeros[0][1] + 480 + 2000;
const locate = (seg, clip) => { let best = [Infinity, 0]; for (let p = 0; p < clip.length; p += 1) { let e = 0; for (let k = 0; k < 64; k += 1) { const d = left[seg + k] - clip[(p + k) % clip.length]; e += d * d; if (e > best[0]) break; } if (e < best[0]) best = [e, p]; } return best; };
const check = (name, seg, clip, n) => { const [, p] = locate(seg, clip); let worst = 0; for (let k = 0; k < n; k += 1) worst = Math.max(worst, Math.abs(left[seg + k] - clip[(p + k) % clip.length])); // The recording and the file had dither of their own: two steps apart at most.
  assert.ok(worst * 8388608 <= 2.01, `${name}: ${worst * 8388608} steps`); return p; };
const pa = check("A", first, A, 20000);
const z1 = zeros[1]; // A -> B
const second = z1[0] + z1[1] + 480 + 2000;
const pb = check("B", second, B, 20000);
assert.equal((pa + (second - first)) % A.length, pb, "the loop goes on at the running position");
const fade = (k) => 0.5 - 0.5 * Math.cos(Math.PI * (k + 0.5) / 480);
let wout = 0, win = 0; const e0 = z1[0] - 480, e1 = z1[0] + z1[1];
for (let k = 0; k < 480; k += 1) { const clipOut = A[(pa + (e0 + k - first) + 10 * A.length) % A.length] * fade(479 - k); wout = Math.max(wout, Math.abs(left[e0 + k] - clipOut)); const clipIn = B[(pb + (e1 + k - second) + 10 * B.length) % B.length] * fade(k); win = Math.max(win, Math.abs(left[e1 + k] - clipIn)); }
assert.ok(wout < 4e-7 && win < 4e-7, `fades: ${wout} ${win}`);
console.log(`recorded ${left.length} frames; fades within ${Math.max(wout, win).toExponential(1)}, silences of 480 frames, slots within two steps of 24 bit`);
