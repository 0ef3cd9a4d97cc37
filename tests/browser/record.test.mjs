// Recording at the desk: a short evening by Enter alone at the simulated rig, a stop by Escape, a page that is left.
import test from "node:test";
import assert from "node:assert/strict";
import { accessible, browser, complaints, desk, fits, folder, run, shot } from "./support.mjs";

let b;
test.before(async () => { b = await browser(); });
test.after(async () => { await b.close(); });

const SHEET = new URL("../../sessions/demo-rig.toml", import.meta.url).pathname;
/** 6.5 + 6.9 ohm of coil in series, and in parallel 1/(1/6.5 + 1/6.9). */
const reading = (title) => (/: s16/.test(title) ? "13.4" : "3.35");

async function opened(viewport) {
  const home = folder();
  try { run("new", home.at("s"), "--sheet", SHEET); } catch (error) { if (error.status !== 0 && error.status !== 3) throw error; }
  const at = await desk(home.at("s"));
  const page = await b.newPage({ viewport });
  page.setDefaultTimeout(60_000);
  const bad = complaints(page);
  await page.goto(at.url);
  await page.getByRole("link", { name: /^Takes/ }).click();
  await shot(page, `record-takes-${viewport.width}`);
  await page.getByRole("link", { name: "Record here" }).click();
  await page.getByLabel("Plays the DI").selectOption("simulated");
  await page.getByLabel("Takes of each setup").fill("1");
  await accessible(page, "how the interface is connected");
  await fits(page, "how the interface is connected");
  await shot(page, `record-form-${viewport.width}`);
  await page.getByText("More", { exact: true }).click();
  for (const [label, value] of [["Silence in front of the DI, in s", "0.5"], ["Silence behind it, in s", "0.5"], ["Wait after the first power-on, in s", "1"]]) await page.getByLabel(label).fill(value);
  await page.getByRole("button", { name: "Open the device" }).press("Enter");
  await page.getByText("Before anything sounds").waitFor();
  const close = async () => { await page.close(); await at.close(); home.gone(); };
  return { page, bad, close, home };
}

const stage = (page) => page.evaluate(async () => (await (await fetch("/record/state")).json()));
const large = (page) => page.locator("#large").innerText();
const focused = (page) => page.evaluate(() => document.activeElement.textContent || document.activeElement.id);

for (const viewport of [{ width: 1280, height: 900 }, { width: 390, height: 844 }]) {
  test(`an evening of two passes by Enter, ${viewport.width} px wide`, async () => {
    const { page, bad, close, home } = await opened(viewport);
    const looked = new Set();
    let stopped = false;
    let misread = false;
    for (;;) {
      const now = await stage(page);
      const step = page.locator(`#press [name=step][value="${now.step}"]`);
      await step.waitFor({ state: "attached" });
      const name = now.stage === "level" && now.sounds ? "level-sounds" : now.stage;
      if (!looked.has(name)) {
        looked.add(name);
        await accessible(page, name);
        await fits(page, name);
        await shot(page, `record-${name}-${viewport.width}`);
      }
      if (now.stage === "done") break;
      if (now.stage === "reading") {
        assert.equal(await focused(page), "ohm");
        await page.keyboard.type(misread ? reading(now.title) : "6.6");
        await page.keyboard.press("Enter");
        if (!misread) {
          misread = true;
          await page.getByText("It does NOT read as intended: leave the amplifier off.").waitFor();
          await page.locator("#ohm").fill("");
          await accessible(page, "a wrong reading");
          await shot(page, `record-misread-${viewport.width}`);
        } else await step.waitFor({ state: "detached" });
      } else if (name === "level-sounds") {
        for (let n = 0; n < 4; n += 1) await page.getByRole("button", { name: "Louder" }).press("Enter");
        await page.getByText("Output at -18 dBFS").waitFor();
        await page.waitForFunction(() => document.querySelector("#meters .hold").textContent !== "\u2013");
        await shot(page, `record-meters-${viewport.width}`);
        await page.getByRole("button", { name: "Gains are fixed" }).press("Enter");
        await step.waitFor({ state: "detached" });
      } else if (now.stage === "rolling") {
        // Enter once more by chance: nothing is stopped by it.
        await page.keyboard.press("Enter");
        if (!stopped) {
          stopped = true;
          await page.waitForFunction(() => document.querySelector("#large").innerText.includes("Recording"));
          await page.keyboard.press("Escape");
          await page.getByText("it was stopped", { exact: false }).first().waitFor();
          assert.equal((await stage(page)).sounds, false);
        } else await step.waitFor({ state: "detached" });
      } else if (now.stage === "warm-up") await step.waitFor({ state: "detached" });
      else {
        assert.notEqual(await focused(page), "", `${now.stage}: nothing has the focus`);
        await page.keyboard.press("Enter");
        await step.waitFor({ state: "detached" });
      }
    }
    assert.match(await large(page), /all passes are recorded/i);
    for (const name of ["cautions", "change", "reading", "power", "level", "level-sounds", "ready", "rolling", "void", "done"]) assert.ok(looked.has(name), name);
    await page.getByRole("button", { name: "Leave the recording" }).press("Enter");
    await page.getByText("2 passes kept, 0 played again, 1 void; 0 are left.").waitFor();
    const takes = JSON.parse(run("takes", home.at("s"), "--json")).takes.filter((t) => t.setup);
    assert.deepEqual(takes.map((t) => `${t.setup} ${t.mic}`).sort(), ["p4 close-a", "p4 close-b", "s16 close-a", "s16 close-b"]);
    assert.deepEqual(bad, []);
    await close();
  });
}

test("who leaves the page stops what sounds", async () => {
  const { page, close } = await opened({ width: 1280, height: 900 });
  for (;;) {
    const now = await stage(page);
    const step = page.locator(`#press [name=step][value="${now.step}"]`);
    await step.waitFor({ state: "attached" });
    if (now.stage === "level" && now.sounds) break;
    if (now.stage === "reading") await page.keyboard.type(reading(now.title));
    if (now.stage !== "warm-up") await page.keyboard.press("Enter");
    await step.waitFor({ state: "detached" });
  }
  // The page has to know that it sounds before it can say that it is left.
  await page.waitForFunction(() => document.querySelector("#meters .hold").textContent !== "\u2013");
  await page.getByRole("link", { name: /^Rig/ }).click();
  await page.waitForFunction(async () => !(await (await fetch("/record/state")).json()).sounds);
  await close();
});
