// Sound that is sure: what is heard is counted on the audio clock, and no noise stays that nobody asked for. The sounds' own level is read
// from a meter before the loudspeaker, not from what the page says of itself.
import test from "node:test";
import assert from "node:assert/strict";
import { accessible, answer, browser, complaints, desk, fits, folder, hear, choose, loudest, meter, session, shot, toTrial } from "./support.mjs";

let home; let at; let b; let codes;
test.before(async () => {
  home = folder();
  at = await desk(session(home, 2, "--listeners", "6", "--ask-confidence", "--controls", "same-file=0,repeat=0", "--design", "paired", "--training-by-name"),
    "--invite", "ann", "bob", "cid", "dot", "eve", "fay");
  codes = Object.fromEntries(at.invitations.map((i) => [i.listener, i.url]));
  b = await browser();
});
test.after(async () => { await b.close(); assert.equal(await at.close(), 0); home.gone(); });

const sounding = '.hear[aria-pressed="true"]';
/** Louder than this is noise or a sample (both lie around -20 dBFS); silence is zero. */
const AUDIBLE = 0.003;

async function fresh(options = {}) {
  const context = await b.newContext(options);
  const page = await context.newPage();
  await meter(page);
  return { context, page };
}

test("a context that is suspended in the middle lights nothing, counts nothing, and the desk takes no answer of it", async () => {
  const { context, page } = await fresh();
  await toTrial(page, codes.ann);
  await hear(page, "A").click();
  await page.waitForTimeout(500);
  assert.ok(await loudest(page) > AUDIBLE, "a sample sounds");
  await page.evaluate(() => window.theContext.suspend());
  await page.getByText("The sound was interrupted.").waitFor();
  assert.equal(await page.locator(sounding).count(), 0);
  for (const label of ["B", "X"]) { await hear(page, label).click(); await page.waitForTimeout(500); }
  assert.equal(await page.locator(sounding).count(), 0, "nothing is lit");
  assert.match(await page.locator("#missing").textContent(), /^Not heard yet: X, B\.$/);
  await choose(page, "A").check();
  assert.equal(await page.getByRole("button", { name: "Send the answer" }).isDisabled(), true);
  await accessible(page, "interrupted");
  await fits(page, "interrupted");
  await shot(page, "listen-interrupted");
  // The rule is the desk's too: what a page in a hurry would have sent is refused.
  const seat = await (await page.request.get(codes.ann.replace("/l/", "/api/l/"))).json();
  const refused = await page.request.post(`${codes.ann.replace("/l/", "/api/l/")}/trials/${seat.open_trial.trial}/pick`, {
    data: { choice: "A", heard: [{ label: "A", times: 1, ms: 500 }, { label: "B", times: 1, ms: 0 }, { label: "X", times: 1, ms: 0 }] },
  });
  assert.deepEqual([refused.status(), (await refused.json()).error.kind], [422, "not-heard"]);
  await page.getByRole("button", { name: "Sound on again" }).click();
  await page.getByText("The sound was interrupted.").waitFor({ state: "hidden" });
  let sent;
  await page.route("**/pick", async (route) => { sent = route.request().postDataJSON(); await route.continue(); });
  for (const label of ["B", "X"]) { await hear(page, label).click(); await page.waitForTimeout(600); }
  await page.getByRole("button", { name: "Send the answer" }).click();
  await page.getByText("Your answer is saved.").waitFor();
  const ms = Object.fromEntries(sent.heard.map((h) => [h.label, h.ms]));
  assert.ok(ms.B < 1000 && ms.X < 1000, `counted only while it sounded: ${JSON.stringify(ms)}`);
  assert.equal(sent.confidence, null, "an untouched slider says nothing");
  await context.close();
});

test("a second tap ends the level's noise, also while the sound is slow to start", async () => {
  const { context, page } = await fresh();
  let waiting = 0;
  await page.route("**/noise", async (route) => { waiting += 1; await new Promise((go) => { setTimeout(go, 900); }); await route.continue(); });
  await page.goto(codes.bob);
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByText("The sound is starting").waitFor();
  await page.getByRole("button", { name: "Stop the noise" }).click();
  await page.waitForTimeout(1800);
  assert.equal(waiting, 1);
  assert.equal(await loudest(page), 0, "what was on its way makes no sound");
  await page.unroute("**/noise");
  await page.getByRole("button", { name: "Play the noise" }).click();
  await page.waitForTimeout(600);
  assert.ok(await loudest(page) > AUDIBLE, "the noise sounds when it is asked for");
  await page.getByRole("button", { name: "Stop the noise" }).click();
  await page.waitForTimeout(200);
  assert.equal(await loudest(page), 0, "and stops");
  // Three taps in a row: on, off, on; there is one noise, and one tap ends it.
  for (let i = 0; i < 3; i += 1) await page.locator("#noise").click();
  await page.waitForTimeout(800);
  assert.ok(await loudest(page) > AUDIBLE);
  await page.locator("#noise").click();
  await page.waitForTimeout(200);
  assert.equal(await loudest(page), 0, "one player at a time");
  await context.close();
});

test("leaving the level step ends the noise, whether it sounds or is still on its way", async () => {
  const { context, page } = await fresh();
  await page.goto(codes.bob);
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.waitForTimeout(700);
  assert.ok(await loudest(page) > AUDIBLE);
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByRole("button", { name: "Next trial" }).waitFor();
  await page.waitForTimeout(200);
  assert.equal(await loudest(page), 0);
  await page.evaluate(() => sessionStorage.clear());
  await page.route("**/noise", async (route) => { await new Promise((go) => { setTimeout(go, 900); }); await route.continue(); });
  await page.reload();
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByRole("button", { name: "Next trial" }).waitFor();
  await page.waitForTimeout(1800);
  assert.equal(await loudest(page), 0);
  await context.close();
});

test("another tab that sounds silences this one", async () => {
  const { context, page } = await fresh();
  await toTrial(page, codes.cid);
  await hear(page, "A").click();
  await page.waitForTimeout(400);
  const tab = await context.newPage();
  await tab.goto(codes.cid);
  await tab.getByRole("button", { name: "Set the level" }).click();
  await page.getByText("in another tab").waitFor();
  await page.waitForTimeout(100);
  assert.equal(await page.locator(sounding).count(), 0);
  assert.equal(await loudest(page), 0);
  await context.close();
});

test("a part of the passage in a loop: the same for every sample, kept in the next trial", async () => {
  const { context, page } = await fresh();
  await toTrial(page, codes.dot);
  await hear(page, "A").click();
  await page.waitForTimeout(300);
  await page.keyboard.press("s");
  await page.getByText(/choose the end/).waitFor();
  await page.waitForTimeout(200);
  await page.keyboard.press("e");
  await page.getByText("half a second or more").waitFor();
  await page.waitForTimeout(600);
  await page.getByRole("button", { name: "to here" }).click();
  await page.getByText(/^\d\.\d s to \d\.\d s, for every sample\.$/).waitFor();
  await page.waitForTimeout(300);
  assert.ok(await loudest(page) > AUDIBLE, "it goes on sounding");
  await answer(page, "B");
  await page.getByRole("button", { name: "Next trial" }).click();
  await page.getByText(/for every sample/).waitFor();
  await hear(page, "X").click();
  await page.waitForTimeout(300);
  assert.ok(await loudest(page) > AUDIBLE);
  await page.getByRole("button", { name: "The whole passage" }).click();
  await page.getByText("The whole passage is looped.").waitFor();
  await context.close();
});

test("training as it was sealed: openly, by name, before a trial and never during one", async () => {
  const { context, page } = await fresh({ viewport: { width: 390, height: 844 } });
  const bad = complaints(page);
  await page.goto(codes.eve);
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByText("Hear what is compared, openly").click();
  await hear(page, "mild").click();
  await page.waitForTimeout(700);
  assert.ok(await loudest(page) > AUDIBLE);
  await accessible(page, "training");
  await fits(page, "training");
  await shot(page, "listen-training");
  await hear(page, "dark").click();
  assert.equal(await page.locator(sounding).count(), 1);
  await page.getByRole("button", { name: "Next trial" }).click();
  await hear(page, "A").waitFor();
  assert.equal(await loudest(page), 0, "the training ends with the trial");
  const during = await page.request.post(`${codes.eve.replace("/l/", "/api/l/")}/training`);
  assert.deepEqual([during.status(), (await during.json()).error.kind], [409, "in-a-trial"]);
  assert.equal((await page.request.get(`${codes.eve.replace("/l/", "/api/l/")}/training/1`)).status(), 409);
  assert.deepEqual(bad, []);
  await context.close();
});

test("keys by letter and by row, with Shift to choose, also with the slider in focus; a slider is unsaid until it is touched", async () => {
  const { context, page } = await fresh();
  await toTrial(page, codes.fay);
  const lit = () => page.locator(sounding).getAttribute("data-label");
  for (const [key, label] of [["1", "X"], ["2", "A"], ["3", "B"], ["x", "X"], ["a", "A"], ["b", "B"]]) {
    await page.keyboard.press(key);
    assert.equal(await lit(), label, key);
  }
  const slider = page.getByRole("slider", { name: /How sure/ });
  assert.equal(await slider.getAttribute("aria-valuetext"), "not said");
  await slider.focus();
  await page.keyboard.press("a");
  assert.equal(await lit(), "A", "a letter works with the slider in focus");
  assert.equal(await page.locator("#said").textContent(), "not said");
  await page.keyboard.press("ArrowRight");
  assert.equal(await page.locator("#said").textContent(), "51");
  await page.getByRole("button", { name: "Leave it unsaid" }).click();
  assert.equal(await page.locator("#said").textContent(), "not said");
  // A tap on the very place where the hidden knob stands is an answer too.
  await slider.click();
  assert.match(await page.locator("#said").textContent(), /^(49|50|51)$/);
  await page.keyboard.press("Shift+b");
  assert.equal(await choose(page, "B").isChecked(), true);
  await page.keyboard.press("Shift+2");
  assert.equal(await choose(page, "A").isChecked(), true);
  await page.keyboard.press("Shift+x");
  assert.equal(await choose(page, "A").isChecked(), true, "X is no answer");
  await context.close();
});

test("through, then closed: the page stays, and shows the listener's own count only behind the end", async () => {
  const { context, page } = await fresh();
  const api = codes.cid.replace("/l/", "/api/l/");
  assert.equal((await page.request.get(`${api}/result`)).status(), 409);
  await toTrial(page, codes.cid);
  await answer(page, "A");
  await page.getByRole("button", { name: "Next trial" }).click();
  await answer(page, "A");
  await page.getByRole("heading", { name: "Thank you" }).waitFor();
  assert.equal((await page.request.get(`${api}/result`)).status(), 409, "nothing is said before the end");
  await page.reload();
  await page.getByRole("heading", { name: "Thank you" }).waitFor();
  await page.getByText("Your receipt", { exact: true }).waitFor();
  const engineer = await b.newPage();
  await engineer.goto(at.url);
  await engineer.goto(new URL("/listeners", at.url).href);
  await engineer.getByText("End this test before its last trial").click();
  // Others are in the middle of a trial: closing asks first.
  await engineer.getByRole("button", { name: /Close test-1/ }).click();
  await engineer.getByText(/in the middle of a trial, which is lost/).waitFor();
  await engineer.getByText("End this test before its last trial").click();
  await engineer.getByRole("checkbox", { name: "Close it also" }).check();
  await engineer.getByRole("button", { name: /Close test-1/ }).click();
  await engineer.getByText("test-1 is closed for good.").waitFor();
  await engineer.close();
  await page.reload();
  await page.getByRole("heading", { name: "The test is closed" }).waitFor();
  await page.getByText(/^You were right in [012] of 2 trials\.$/).waitFor();
  await accessible(page, "own result");
  await shot(page, "listen-own-result");
  const own = (await (await page.request.get(`${api}/result`)).json()).own;
  assert.equal(await page.getByText(`You were right in ${own.correct} of ${own.trials} trials.`).count(), 1);
  // German: a comma in the number.
  await page.goto(`${codes.cid}?lang=de`);
  await page.getByText(new RegExp(`Wahrscheinlichkeit von ${own.p_value.toFixed(3).replace(".", ",")}`)).waitFor();
  await context.close();
});

for (const [locale, title, go] of [["de-DE", "Blindes Hören", "Pegel einstellen"], ["fr-FR", "Écoute en aveugle", "Régler le niveau"], ["es-ES", "Escucha a ciegas", "Ajustar el nivel"], ["ja-JP", "ブラインド試聴", "音量を合わせる"]]) {
  test(`the page speaks ${locale} to a browser that asks for it`, async () => {
    const { context, page } = await fresh({ locale, viewport: { width: 390, height: 844 } });
    await page.goto(codes.ann);
    await page.getByRole("heading", { name: title }).waitFor();
    assert.equal(await page.locator("html").getAttribute("lang"), locale.slice(0, 2));
    await page.goto(`${codes.ann}?lang=en`);
    await page.getByRole("heading", { name: "Blind listening" }).waitFor();
    await page.goto(codes.ann);
    await accessible(page, locale);
    await fits(page, locale);
    assert.ok(go.length > 0);
    await shot(page, `listen-${locale}`);
    await context.close();
  });
}
