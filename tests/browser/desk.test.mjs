// The engineer's desk: files before any sheet, many at once, a typo that loses nothing, the board while people listen, cards to print.
import test from "node:test";
import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { accessible, answer, browser, complaints, desk, fits, folder, hear, riff, session, shot, toTrial, wav } from "./support.mjs";

let b;
test.before(async () => { b = await browser(); });
test.after(async () => { await b.close(); });

/** Drops files onto a place as a hand would. */
async function drop(page, place, paths) {
  const files = paths.map((path) => ({ name: path.split("/").pop(), bytes: readFileSync(path).toString("base64") }));
  const transfer = await page.evaluateHandle((all) => {
    const t = new DataTransfer();
    for (const { name, bytes } of all) t.items.add(new File([Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0))], name, { type: "audio/wav" }));
    return t;
  }, files);
  await page.locator(place).dispatchEvent("drop", { dataTransfer: transfer });
}

test("files dropped before there is any sheet become setups, takes and passes by one table", async () => {
  const home = folder();
  mkdirSync(home.at("s"));
  const at = await desk(home.at("s"));
  const base = new URL(at.url).origin;
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  const bad = complaints(page);
  await page.goto(at.url);
  const rate = 48000;
  const paths = [];
  for (const [setup, tilt] of [["bright", 0.1], ["dark", 0.6]]) {
    for (let i = 1; i <= 2; i += 1) paths.push(wav(home.at(`${setup}_${i}.wav`), riff(2, rate, tilt, paths.length + 1, paths.length * 9), rate));
  }
  paths.push(wav(home.at("di.wav"), riff(2, rate, 0, 31), rate));
  await drop(page, "#drop-all", paths);
  await page.getByRole("button", { name: "Take them in" }).waitFor();
  assert.deepEqual(await page.locator("#guesses tbody tr").evaluateAll((rows) => rows.map((r) => [...r.querySelectorAll("td > *")].map((f) => f.value).join())),
    ["bright,1", "bright,2", "dark,1", "dark,2", "the DI,"]);
  await accessible(page, "guesses");
  await fits(page, "guesses");
  await shot(page, "desk-guesses");
  // A correction: two files of one pass are not sent.
  await page.getByLabel("Pass of bright_2.wav").fill("1");
  await page.getByText(/Two files are bright, main, pass 1/).waitFor();
  assert.equal(await page.getByRole("button", { name: "Take them in" }).isDisabled(), true);
  await page.getByLabel("Pass of bright_2.wav").fill("2");
  await page.getByRole("button", { name: "Take them in" }).click();
  await page.getByText("5 of 5 are in.").waitFor({ timeout: 60_000 });
  await page.getByRole("link", { name: "Show the takes" }).click();
  await page.getByText("4 recordings are in.").waitFor();
  // With setups: four more on one row are four passes, not four takes of pass 1.
  await page.getByLabel("Takes of each setup").fill("8");
  await page.getByRole("button", { name: "Draw the order" }).click();
  const more = [1, 2, 3, 4].map((i) => wav(home.at(`more ${i}.wav`), riff(2, rate, 0.1, 40 + i, i * 7), rate));
  await drop(page, '.drop[data-setup="bright"] >> nth=0', more);
  await page.getByRole("button", { name: "Take them in" }).waitFor();
  const passes = await page.locator(".drop .pass").evaluateAll((all) => all.map((p) => p.value));
  assert.equal(new Set(passes).size, 4, passes.join());
  await page.getByRole("button", { name: "Take them in" }).click();
  await page.getByText("4 of 4 are in.").waitFor({ timeout: 60_000 });
  // Dropped on a page that takes nothing in: said, not lost in silence.
  await page.goto(`${base}/clips`);
  await drop(page, "main", [more[0]]);
  await page.getByText("Recordings are taken in on the page Takes").waitFor();
  assert.deepEqual(bad, []);
  await page.close();
  await at.close();
  home.gone();
});

test("the board follows the listeners, and the cards hold one code for each", async () => {
  const home = folder();
  const at = await desk(session(home, 2, "--listeners", "2", "--design", "paired"), "--invite", "ann", "bob");
  const base = new URL(at.url).origin;
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  const bad = complaints(page);
  await page.goto(at.url);
  await page.goto(`${base}/listeners`);
  const where = (who) => page.locator(`tr[data-listener=${who}] .where`);
  await page.getByText("invited", { exact: true }).first().waitFor();
  const phone = await b.newPage({ viewport: { width: 390, height: 844 } });
  await toTrial(phone, at.invitations[0].url);
  await page.waitForFunction(() => document.querySelector("tr[data-listener=ann] .where").textContent === "in trial 1");
  assert.equal(await where("bob").textContent(), "invited");
  await accessible(page, "board");
  await shot(page, "desk-board");
  await answer(phone, "A");
  await phone.getByRole("button", { name: "Next trial" }).waitFor();
  await page.waitForFunction(() => document.querySelector("tr[data-listener=ann] .num").textContent === "1 of 2");
  await phone.getByRole("button", { name: "Next trial" }).click();
  await hear(phone, "A").waitFor();
  await page.waitForFunction(() => document.querySelector("tr[data-listener=ann] .where").textContent === "in trial 2");
  await phone.close();
  await page.waitForFunction(() => document.querySelector("tr[data-listener=ann] .where").textContent === "in trial 2; left the page", null, { timeout: 30_000 });
  assert.ok(!/right|wrong|correct/i.test(await page.locator("table.board").textContent()));
  await page.goto(`${base}/cards`);
  assert.equal(await page.locator(".ticket").count(), 2);
  assert.equal(await page.locator(".ticket svg").count(), 2);
  await accessible(page, "cards");
  await page.emulateMedia({ media: "print" });
  await shot(page, "desk-cards");
  assert.equal(await page.locator("nav.pages").isVisible(), false);
  assert.deepEqual(bad, []);
  await page.close();
  await at.close();
  home.gone();
});

test("a typo in the rig's form loses nothing", async () => {
  const home = folder();
  mkdirSync(home.at("s"));
  const at = await desk(home.at("s"));
  const page = await b.newPage();
  await page.goto(at.url);
  await page.getByText("Describe the rig in fields").click();
  const typed = { title: "An invented evening", question: "Audible?", amp_label: "head 1", amp_w: "50", driver1: "A", ohm1: "8", w1: "30", driver2: "B", ohm2: "8", w2: "3o", setup1: "series", network1: "A + B", tap1: "16", setup2: "parallel", network2: "A || B", tap2: "4" };
  for (const [name, value] of Object.entries(typed)) await page.locator(`#${name}`).fill(value);
  await page.getByRole("button", { name: "Read the rig in" }).click();
  await page.getByText("is not a number").waitFor();
  for (const [name, value] of Object.entries(typed)) assert.equal(await page.locator(`#${name}`).inputValue(), value, name);
  await accessible(page, "draft");
  await page.locator("#w2").fill("30");
  await page.getByRole("button", { name: "Read the rig in" }).click();
  await page.getByText("The rig was read in: 2 setups.").waitFor();
  // The sheet stands in the fields.
  await page.getByText("Change the rig in fields").click();
  for (const [name, value] of Object.entries({ ...typed, w2: "30" })) assert.equal(await page.locator(`#${name}`).inputValue(), value, name);
  assert.match(await page.title(), /An invented evening/);
  await page.close();
  await at.close();
  home.gone();
});

test("from a folder of 16 files to a verdict with two listeners: at most 15 clicks and 8 fields of the engineer's", async () => {
  const home = folder();
  mkdirSync(home.at("s"));
  const at = await desk(home.at("s"));
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  page.setDefaultTimeout(120_000);
  page.setDefaultNavigationTimeout(240_000);
  let clicks = 0;
  let fields = 0;
  const click = async (role, name) => { clicks += 1; await page.getByRole(role, { name }).first().click(); };
  const fill = async (label, value) => { fields += 1; await page.getByLabel(label, { exact: true }).fill(value); };
  const step = (name) => click("link", new RegExp(`^${name}`));
  await page.goto(at.url);
  const rate = 48000;
  const paths = [];
  for (const [setup, tilt] of [["series", 0.1], ["parallel", 0.6]]) {
    for (let i = 1; i <= 8; i += 1) paths.push(wav(home.at(`${setup}_${i}.wav`), riff(2, rate, tilt, paths.length + 1, paths.length * 9), rate));
  }
  clicks += 1; // the drop itself
  await drop(page, "#drop-all", paths);
  await click("button", "Take them in");
  await page.getByText("16 of 16 are in.").waitFor();
  await step("Check");
  await click("button", "Check all takes");
  await page.getByText("16 recordings were looked at.").waitFor();
  await step("Clips");
  await click("button", "Make the clips");
  await page.getByText("16 clips were made").waitFor();
  await step("Test");
  await fill("Listeners", "2");
  clicks += 1;
  await page.getByText("More", { exact: true }).click();
  await fill("Trials for each listener", "1");
  await fill("Same-file controls", "0");
  await click("button", "Seal the test");
  await page.getByText(/Sealed as test-1/).waitFor();
  await click("link", "Invite listeners");
  const links = [];
  for (const who of ["ann", "bob"]) {
    await fill("Invite a listener", who);
    await click("button", "Make a link");
    await page.getByText(`${who} has a link now.`).waitFor();
    links.push(await page.locator(`tr[data-listener=${who}] a`).getAttribute("href"));
  }
  for (const link of links) {
    const phone = await b.newPage({ viewport: { width: 390, height: 844 } });
    await toTrial(phone, new URL(link, at.url).href);
    await answer(phone, "A");
    await phone.getByText("Your answer is saved.").waitFor();
    await phone.close();
  }
  // The board sees the last answer and the test's end by itself.
  await page.getByText("Every test is closed.").waitFor();
  await step("Verdict");
  await page.getByText(/too few trials to tell/i).first().waitFor();
  await shot(page, "desk-verdict");
  assert.ok(clicks <= 15, `${clicks} clicks`);
  assert.ok(fields <= 8, `${fields} fields`);
  await page.close();
  await at.close();
  home.gone();
});
