// The listening page as a listener meets it: reload, lost connection, two tabs, back, a phone, keys alone.
import test from "node:test";
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { accessible, answer, browser, choose, complaints, desk, fits, folder, hear, run, session, shot, toTrial } from "./support.mjs";

let home; let at; let b; let codes;
test.before(async () => {
  home = folder();
  at = await desk(session(home, 3, "--listeners", "7", "--ask-confidence"), "--invite", "ann", "bob", "cid", "dot", "eve", "fay", "gus");
  codes = Object.fromEntries(at.invitations.map((i) => [i.listener, i.url]));
  b = await browser();
});
test.after(async () => { await b.close(); assert.equal(await at.close(), 0); home.gone(); });

const seat = async (page, url) => (await page.request.get(url.replace("/l/", "/api/l/"))).json();

test("a listener goes through on a wide screen, and the page asks nobody else", async () => {
  const context = await b.newContext({ viewport: { width: 1280, height: 800 } });
  const page = await context.newPage();
  const bad = complaints(page);
  const hosts = new Set();
  page.on("request", (r) => hosts.add(new URL(r.url()).host));
  let first = 0;
  page.on("response", async (r) => { if (!r.url().includes("/api/")) first += (await r.body().catch(() => "")).length; });
  await page.goto(codes.ann);
  await page.getByRole("button", { name: "Set the level" }).waitFor();
  assert.ok(first < 60_000, `first paint needs ${first} bytes`);
  await accessible(page, "before the level");
  await shot(page, "listen-1-begin");
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "The level is set" }).waitFor();
  await accessible(page, "level");
  await shot(page, "listen-2-level");
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByRole("button", { name: "Next trial" }).waitFor();
  await accessible(page, "ready");
  for (let n = 1; n <= 3; n += 1) {
    await page.getByRole("button", { name: "Next trial" }).click();
    await hear(page, "X").waitFor();
    assert.match(await page.locator("#count").textContent(), new RegExp(`Trial ${n} of 3`));
    assert.equal(await page.getByRole("button", { name: "Send the answer" }).isDisabled(), true);
    if (n === 1) { await accessible(page, "trial"); await shot(page, "listen-3-trial"); }
    await answer(page, "A");
  }
  await page.getByRole("heading", { name: "Thank you" }).waitFor();
  await accessible(page, "done");
  await shot(page, "listen-4-done");
  assert.deepEqual([...hosts], [new URL(codes.ann).host]);
  assert.deepEqual(bad, []);
  assert.equal((await seat(page, codes.ann)).done, 3);
  await context.close();
});

test("a reload in a trial goes on with it; another tab has the same one; going back loses nothing", async () => {
  const context = await b.newContext();
  const page = await context.newPage();
  await toTrial(page, codes.bob);
  const trial = (await seat(page, codes.bob)).open_trial;
  await page.reload();
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "Next trial" }).click();
  await hear(page, "A").waitFor();
  assert.equal((await seat(page, codes.bob)).open_trial.trial, trial.trial);
  const tab = await context.newPage();
  await toTrial(tab, codes.bob);
  assert.equal((await seat(tab, codes.bob)).open_trial.trial, trial.trial);
  await answer(page, "A");
  await page.getByText("Your answer is saved.").waitFor();
  await answer(tab, "B");
  await tab.getByText("comes too late").waitFor();
  assert.equal((await seat(page, codes.bob)).done, 1);
  await page.goto("about:blank");
  await page.goBack();
  await page.getByRole("button", { name: "Set the level" }).waitFor();
  await context.close();
});

test("a lost connection is said, and the answer is sent once when it is back", async () => {
  const context = await b.newContext();
  const page = await context.newPage();
  await toTrial(page, codes.cid);
  await context.setOffline(true);
  await answer(page, "B");
  await page.getByText("The connection is lost.").waitFor();
  await accessible(page, "lost");
  await shot(page, "listen-5-lost");
  await page.waitForTimeout(1500);
  await context.setOffline(false);
  await page.getByText("Your answer is saved.").waitFor({ timeout: 15_000 });
  assert.equal(await page.getByText("The connection is lost.").isVisible(), false);
  assert.equal((await seat(page, codes.cid)).done, 1);
  // The same, but the page is closed while the line is down: the answer waits in the browser.
  await page.getByRole("button", { name: "Next trial" }).click();
  await hear(page, "A").waitFor();
  await page.route("**/pick", (route) => route.abort());
  await answer(page, "A");
  await page.getByText("The connection is lost.").waitFor();
  await page.close();
  const again = await context.newPage();
  await again.goto(codes.cid);
  await again.getByText("Your answer is saved.").waitFor();
  assert.equal((await seat(again, codes.cid)).done, 2);
  await context.close();
});

test("an answer that reached the desk while its receipt was lost counts once", async () => {
  const context = await b.newContext();
  const page = await context.newPage();
  await toTrial(page, codes.dot);
  let lost = 0;
  await page.route("**/pick", async (route) => {
    lost += 1;
    if (lost === 1) { await route.fetch(); await route.abort(); } else await route.continue();
  });
  await answer(page, "A");
  await page.getByText("Your answer is saved.").waitFor({ timeout: 15_000 });
  assert.ok(lost >= 2);
  assert.equal((await seat(page, codes.dot)).done, 1);
  await context.close();
});

for (const [name, viewport] of [["phone", { width: 360, height: 740 }], ["phone on its side", { width: 740, height: 360 }], ["tablet", { width: 820, height: 1180 }], ["320 px (400 % zoom)", { width: 320, height: 512 }]]) {
  test(`it fits a ${name} and works by touch`, async () => {
    const context = await b.newContext({ viewport, hasTouch: true, isMobile: true, deviceScaleFactor: 2 });
    const page = await context.newPage();
    await page.goto(codes.eve);
    await page.getByRole("button", { name: "Set the level" }).tap();
    await page.getByRole("button", { name: "The level is set" }).tap();
    await page.getByRole("button", { name: "Next trial" }).tap();
    await hear(page, "A").tap();
    await fits(page, name);
    const boxes = await page.locator(".hear").evaluateAll((pads) => pads.map((p) => { const r = p.getBoundingClientRect(); return [r.width, r.height]; }));
    assert.ok(boxes.every(([w, h]) => w >= 44 && h >= 44), JSON.stringify(boxes));
    // All pads look alike but for their letter and for the one that is chosen.
    const styles = await page.locator(".hear[aria-pressed=false]").evaluateAll((pads) => pads.map((p) => { const s = getComputedStyle(p); return [s.backgroundColor, s.color, s.borderColor, s.borderRadius, p.offsetWidth].join(); }));
    assert.equal(new Set(styles).size, 1);
    await shot(page, `listen-${name.replace(/\W+/g, "-")}`);
    await context.close();
  });
}

test("a suspended sound counts nothing, is said, and goes on when asked; an untouched confidence is none", async () => {
  const context = await b.newContext();
  const page = await context.newPage();
  let sent;
  await page.addInitScript(() => {
    const Real = window.AudioContext;
    window.AudioContext = class extends Real { constructor(...a) { super(...a); window.theContext = this; } };
  });
  await page.goto(codes.gus);
  await page.getByRole("button", { name: "Set the level" }).dblclick();
  await page.getByRole("button", { name: "The level is set" }).click();
  await page.getByRole("button", { name: "Next trial" }).click();
  await page.locator("#samples .hear").first().waitFor();
  await page.evaluate(() => window.theContext.suspend());
  await page.getByText("The sound was interrupted.").waitFor();
  for (const pad of await page.locator("#samples .hear").all()) { await pad.click(); await page.waitForTimeout(450); }
  assert.match(await page.locator("#missing").textContent(), /Not heard yet: X, A, B/);
  await page.getByRole("button", { name: "Sound on again" }).click();
  await page.getByText("The sound was interrupted.").waitFor({ state: "hidden" });
  for (const pad of await page.locator("#samples .hear").all()) { await pad.click(); await page.waitForTimeout(500); }
  await page.locator("#samples input").first().check();
  await page.route("**/pick", async (route) => { sent = route.request().postDataJSON(); await route.continue(); });
  await page.getByRole("button", { name: "Send the answer" }).click();
  await page.getByText("Your answer is saved.").waitFor();
  assert.equal(sent.confidence, null);
  assert.ok(sent.heard.every((h) => h.ms >= 300 && h.ms < 2000), JSON.stringify(sent.heard));
  // The receipt: as a file, as text, and still there when the page is opened again; it fits the session.
  await page.getByText("Your receipt", { exact: true }).click();
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("link", { name: "Save your receipt" }).click()]);
  assert.equal(download.suggestedFilename(), "receipt-test-1.json");
  await download.saveAs(home.at("receipt.json"));
  const whole = JSON.parse(readFileSync(home.at("receipt.json"), "utf8"));
  assert.deepEqual([whole.format, whole.test, whole.trials.length], ["cabjury receipt 1", "test-1", 1]);
  await page.getByRole("button", { name: "Copy it as text" }).click();
  await page.getByText(/^(Copied\.|The text is marked: copy it\.)$/).waitFor();
  assert.deepEqual(JSON.parse(await page.getByRole("textbox", { name: "Your receipt as text" }).inputValue()), whole);
  const text = JSON.stringify(whole);
  assert.ok(!/gus|one|two|t00/.test(text.replace(/[0-9a-f]{32,}/g, "")), text);
  await page.reload();
  await page.getByText("Your receipt", { exact: true }).waitFor();
  const audited = JSON.parse(run("audit", home.at("s"), "--json", "--keep-nothing", "--receipts", home.at("receipt.json")));
  assert.equal(audited.ok, true);
  assert.deepEqual(audited.witnesses.receipts.map((r) => [r.listener, r.fits]), [["gus", true]]);
  await context.close();
});

test("keys alone are enough", async () => {
  const context = await b.newContext();
  const page = await context.newPage();
  await toTrial(page, codes.fay);
  for (const key of ["a", "b", "x"]) {
    await page.keyboard.press(key);
    assert.equal(await page.locator(`.hear[data-label=${key.toUpperCase()}]`).getAttribute("aria-pressed"), "true");
    await page.waitForTimeout(420);
  }
  await page.keyboard.press("Escape");
  assert.equal(await page.locator('.hear[aria-pressed="true"]').count(), 0);
  await choose(page, "B").focus();
  await page.keyboard.press("Space");
  await page.getByRole("slider", { name: /How sure/ }).focus();
  await page.keyboard.press("ArrowRight");
  await page.getByRole("textbox", { name: "A remark" }).focus();
  // What is typed into a field plays nothing.
  await page.keyboard.type("a bit brighter");
  assert.equal(await page.locator('.hear[aria-pressed="true"]').count(), 0);
  await page.getByRole("button", { name: "Send the answer" }).focus();
  await page.keyboard.press("Enter");
  await page.getByText("Your answer is saved.").waitFor();
  await context.close();
  const kept = run("audit", home.at("s"), "--json");
  assert.equal(JSON.parse(kept).ok, true);
});

test("an unknown invitation gets a page in plain words", async () => {
  const page = await b.newPage();
  const answer = await page.goto(codes.ann.replace(/l\/.*/, "l/00000000000000000000000000000000"));
  assert.equal(answer.status(), 404);
  await accessible(page, "unknown");
  await page.getByText("There is no such invitation.").waitFor();
  await page.close();
});
