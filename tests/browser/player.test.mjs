// The sound path sample by sample, rendered offline by the browser that plays it. The formula of the fade is the project's own contract:
// in(k) = 0.5 - 0.5 cos(pi (k + 0.5) / n); a switch is n frames out, n silent, n in.
import test from "node:test";
import assert from "node:assert/strict";
import { browser, desk, folder, session } from "./support.mjs";

let home; let at; let b; let page;
test.before(async () => {
  home = folder();
  at = await desk(session(home, 2), "--invite", "ann");
  b = await browser();
  page = await b.newPage();
  await page.goto(at.invitations[0].url);
});
test.after(async () => { await b.close(); await at.close(); home.gone(); });

/** Renders switches over given slots; returns the samples. */
const render = (rate, slots, switches, frames) => page.evaluate(async ({ rate, slots, switches, frames }) => {
  const { Player } = await import("/assets/player.js");
  const context = new OfflineAudioContext(1, frames, rate);
  const buffers = slots.map((kind) => {
    const buffer = new AudioBuffer({ length: Math.round(rate / 2), sampleRate: rate, numberOfChannels: 1 });
    const data = buffer.getChannelData(0);
    let state = 12345;
    for (let i = 0; i < data.length; i += 1) {
      state = (Math.imul(state, 1103515245) + 12345) >>> 0;
      data[i] = kind === "one" ? 1 : (state / 2 ** 32 - 0.5) * 0.5;
    }
    return buffer;
  });
  const player = new Player(context, buffers);
  player.start(0);
  for (const [from, to, frame] of switches) player.schedule(from, to, frame);
  return [...(await context.startRendering()).getChannelData(0)];
}, { rate, slots, switches, frames });

for (const rate of [44100, 48000, 96000]) {
  test(`the envelope of a switch is the formula, frame by frame, at ${rate} Hz`, async () => {
    const n = Math.round(rate * 0.01);
    const fade = (k) => 0.5 - 0.5 * Math.cos(Math.PI * (k + 0.5) / n);
    const first = 200;
    const second = 200 + 10 * n;
    const got = await render(rate, ["one", "one"], [[null, 0, first], [0, 1, second]], second + 6 * n);
    const wanted = (i) => {
      if (i < first + 2 * n) return 0;
      if (i < first + 3 * n) return fade(i - first - 2 * n);
      if (i < second) return 1;
      if (i < second + n) return fade(n - 1 - (i - second));
      if (i < second + 2 * n) return 0;
      if (i < second + 3 * n) return fade(i - second - 2 * n);
      return 1;
    };
    const worst = got.reduce((w, v, i) => Math.max(w, Math.abs(v - wanted(i))), 0);
    assert.ok(worst < 2e-6, `largest error ${worst}`);
    for (let i = second + n; i < second + 2 * n; i += 1) assert.equal(got[i], 0, "silence between the fades is exact");
  });
}

test("a switch to another slot and one to itself are the same, sample by sample", async () => {
  const rate = 48000;
  const other = await render(rate, ["noise", "noise", "noise"], [[null, 0, 100], [0, 1, 9000], [1, 2, 20000]], 30000);
  const itself = await render(rate, ["noise", "noise", "noise"], [[null, 0, 100], [0, 0, 9000], [0, 0, 20000]], 30000);
  assert.deepEqual(other, itself);
  assert.ok(other.some((v) => v !== 0));
});

test("the loop goes on at the running position, whatever was switched", async () => {
  const rate = 48000;
  const switched = await render(rate, ["noise", "noise"], [[null, 0, 100], [0, 1, 9000]], 40000);
  const plain = await render(rate, ["noise", "noise"], [[null, 1, 100]], 40000);
  for (let i = 9000 + 3 * 480 + 1; i < 40000; i += 1) assert.equal(switched[i], plain[i]);
});

test("a switch can begin at any frame: none is refused for a rounding", async () => {
  const refused = await page.evaluate(async () => {
    const { Player } = await import("/assets/player.js");
    let refused = 0;
    for (const rate of [44100, 48000, 96000]) {
      const context = new OfflineAudioContext(1, 100, rate);
      const buffer = new AudioBuffer({ length: 100, sampleRate: rate, numberOfChannels: 1 });
      for (let start = 0; start < 400; start += 1) {
        const player = new Player(context, [buffer, buffer]);
        let frame = 1000 + start * 977;
        let from = null;
        for (let i = 0; i < 6; i += 1) {
          try { frame = player.schedule(from, i % 2, frame) + 1 + (i * 131 + start) % 50; } catch { refused += 1; break; }
          from = i % 2;
        }
      }
    }
    return refused;
  });
  assert.equal(refused, 0);
});
