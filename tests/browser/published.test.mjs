// What is published: the report by an HTML validator and axe, captions by a WebVTT parser, the audience page from draw to votes.
import test from "node:test";
import assert from "node:assert/strict";
import { createServer } from "node:http";
import { readFileSync, writeFileSync } from "node:fs";
import { extname, join } from "node:path";
import { pathToFileURL } from "node:url";
import { HtmlValidate } from "html-validate";
import webvtt from "webvtt-parser";
import { accessible, browser, choose, complaints, desk, fits, folder, hear, run, session, shot, shots } from "./support.mjs";

let home; let b;
test.before(async () => {
  home = folder();
  session(home, 16, "--simulated");
  run("rehearse", home.at("s"), "--hears", "0.9", "--runs", "10", "--seed", "3", "--keep", "sim");
  run("report", home.at("s"), "--out", home.at("report.html"));
  run("report", home.at("s"), "--audience", home.at("web"));
  run("montage", home.at("s"), "--blind", "--out", home.at("m"));
  b = await browser();
});
test.after(async () => { await b.close(); home.gone(); });

const validator = new HtmlValidate({ extends: ["html-validate:standard"], rules: { "no-inline-style": "off", "svg-focusable": "off", "void-style": "off", "doctype-style": "off", "no-raw-characters": "off", "long-title": "off", "attribute-boolean-style": "off" } });
async function valid(path) {
  const report = await validator.validateFile(path);
  const faults = report.results.flatMap((r) => r.messages).map((m) => `${m.line}:${m.column} ${m.ruleId} ${m.message}`);
  assert.deepEqual(faults, [], path);
}

test("the report is valid, accessible in light and dark, fits a phone and asks for nothing", async () => {
  await valid(home.at("report.html"));
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  const asked = [];
  page.on("request", (r) => asked.push(r.url()));
  const bad = complaints(page);
  const url = pathToFileURL(home.at("report.html")).href;
  await page.goto(url);
  await accessible(page, "light");
  await shot(page, "report-wide");
  await page.emulateMedia({ colorScheme: "dark" });
  await accessible(page, "dark");
  await page.setViewportSize({ width: 360, height: 740 });
  await fits(page, "phone");
  await accessible(page, "phone");
  await shot(page, "report-phone-dark");
  assert.deepEqual(asked, [url]);
  assert.deepEqual(bad, []);
  await page.close();
});

test("captions and chapters are WebVTT by the parser of its editor", () => {
  const Parser = webvtt.WebVTTParser ?? webvtt.default?.WebVTTParser;
  for (const [name, kind] of [["captions.vtt", "subtitles/captions/descriptions"], ["chapters.vtt", "chapters"]]) {
    const parser = new Parser();
    const tree = parser.parse(readFileSync(home.at(join("m", name)), "utf8"), kind);
    assert.deepEqual(tree.errors, [], name);
    assert.equal(tree.cues.length, 10);
  }
  const parser = new Parser();
  assert.notDeepEqual(parser.parse("WEBVTT\n\n00:02.000 --> 00:01.000\nx\n", "subtitles/captions/descriptions").errors, []);
});

/** A static host. */
async function host(folder) {
  const kinds = { ".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".wav": "audio/wav", ".flac": "audio/flac" };
  const server = createServer((request, response) => {
    const path = new URL(request.url, "http://x").pathname;
    try {
      const bytes = readFileSync(join(folder, path === "/" ? "index.html" : path));
      response.writeHead(200, { "content-type": kinds[extname(path) || ".html"], "content-length": bytes.length });
      response.end(bytes);
    } catch { response.writeHead(404); response.end(); }
  });
  await new Promise((go) => { server.listen(0, "127.0.0.1", go); });
  return { url: `http://127.0.0.1:${server.address().port}/`, close: () => server.close() };
}

/** Hears all three and takes A. */
async function trial(page, labels = ["A", "B", "X"]) {
  for (const label of labels) { await hear(page, label).click(); await page.waitForTimeout(480); }
  await choose(page, labels[0]).check();
  await page.getByRole("button", { name: "Answer" }).click();
}

const line = (page) => page.getByLabel(/answers as one line/).inputValue();

test("the audience page: draws of one's own, a place that is kept, an exact p, and a line that votes takes in", async () => {
  await valid(home.at("web/index.html"));
  const web = await host(home.at("web"));
  const page = await b.newPage({ viewport: { width: 390, height: 844 } });
  const bad = complaints(page);
  await page.goto(web.url);
  await accessible(page, "begin");
  await fits(page, "begin");
  // One sentence, one picture, one button on a phone's first screen.
  for (const one of [page.getByText(/Listen to A, B and X/), page.locator("svg.picture"), page.getByRole("button", { name: "Begin" })]) {
    const box = await one.boundingBox();
    assert.ok(box.y >= 0 && box.y + box.height <= 844, JSON.stringify(box));
  }
  await shot(page, "audience-begin-light");
  await page.emulateMedia({ colorScheme: "dark" });
  await accessible(page, "begin in the dark");
  await shot(page, "audience-begin-dark");
  await page.emulateMedia({ colorScheme: "light" });
  // 9 of 10, 5 of 6, 12 of 16: handbook tables of the one-sided binomial at 0.05 (6 of 6 for six, for 5 of 6 has p = 0.109).
  for (const [n, needed, half] of [["6", 6, "17.8"], ["10", 9, "24.4"], ["16", 12, "63"]]) {
    await page.getByRole("radio", { name: n, exact: true }).check();
    const text = await page.locator("#shows").textContent();
    assert.ok(text.includes(`With ${n} trials ${needed} right`) && text.includes(`every second one in ${half}%`), text);
  }
  await page.getByRole("radio", { name: "6" , exact: true }).check();
  await page.getByRole("button", { name: "Begin" }).click();
  for (let n = 0; n < 6; n += 1) {
    await hear(page, "A").waitFor();
    if (n === 0) { await accessible(page, "trial"); await fits(page, "trial"); await shot(page, "audience-trial"); }
    if (n === 2) {
      // Reloaded in the middle: the same trial of the same order goes on.
      const before = await page.evaluate(() => localStorage.getItem(Object.keys(localStorage)[0]));
      await page.reload();
      await page.getByRole("button", { name: "Go on with trial 3 of 6" }).click();
      await hear(page, "A").waitFor();
      assert.deepEqual(JSON.parse(await page.evaluate(() => localStorage.getItem(Object.keys(localStorage)[0]))), JSON.parse(before));
    }
    await trial(page);
  }
  await page.getByRole("heading", { name: "Your score" }).waitFor();
  await accessible(page, "end");
  await fits(page, "end");
  await shot(page, "audience-end");
  // A finished visit is still there after a reload.
  const sent = await line(page);
  await page.reload();
  assert.equal(await line(page), sent);
  const digits = sent.split(":")[4];
  const right = [...digits].filter((d) => d === "0" || d === "3").length;
  assert.match(await page.locator("#score").textContent(), new RegExp(`^${right} of 6 right`));
  const p = JSON.parse(run("chance", "--method", "abx", "--trials", "6", "--correct", String(right), "--json")).p_value;
  const tails = await page.evaluate(() => JSON.parse(document.getElementById("data").textContent).choices[0].tails);
  assert.ok(Math.abs(tails[right] - p) < 1e-12);
  // The picture to share is a PNG of its own.
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("button", { name: "Save the picture" }).click()]);
  const png = readFileSync(await download.path());
  assert.deepEqual([png.readUInt32BE(16), png.readUInt32BE(20), download.suggestedFilename()], [1080, 1080, `${right}-of-6.png`]);
  if (shots) writeFileSync(join(shots, "audience-card.png"), png);
  // A second visit says that it is one; somebody else is another person, without any name.
  await page.getByRole("button", { name: "Somebody else listens now" }).click();
  await page.getByRole("button", { name: "Begin" }).click();
  for (let n = 0; n < 6; n += 1) { await hear(page, "A").waitFor(); await trial(page); }
  const other = await line(page);
  writeFileSync(home.at("answers.txt"), `Hello,\n> ${sent}\nand mine: <${other}>.\n${sent}\n`);
  const doc = JSON.parse(run("votes", home.at("s"), home.at("answers.txt"), "--audience", "--json"));
  const all = [...digits, ...other.split(":")[4]].filter((d) => d === "0" || d === "3").length;
  assert.deepEqual([doc.design, doc.people, doc.answers, doc.correct, doc.repeated, doc.unguarded], ["own-keys", 2, 12, all, 1, true]);
  // A line that was changed is found by its code.
  writeFileSync(home.at("changed.txt"), sent.replace(`:${digits}:`, `:${digits.slice(1)}:`));
  assert.throws(() => run("votes", home.at("s"), home.at("changed.txt"), "--audience"), /does not give its code/);
  // Every language says all of it.
  for (const language of ["Deutsch", "Fran\u00e7ais", "Espa\u00f1ol", "\u65e5\u672c\u8a9e"]) {
    await page.getByRole("button", { name: language }).click();
    assert.ok(!/audience\.|\{\w+\}/.test(await page.locator("main").innerText()), language);
    await fits(page, language);
    await shot(page, `audience-end-${language}`);
  }
  assert.deepEqual(bad, []);
  web.close();
  await page.close();
});

test("from a folder the audience page says why it does not sound, and as one file it does", async () => {
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  await page.goto(pathToFileURL(home.at("web/index.html")).href);
  await page.getByRole("alert").filter({ hasText: "opened from a folder" }).waitFor();
  assert.ok(await page.getByRole("button", { name: "Begin" }).isDisabled());
  run("report", home.at("s"), "--audience", home.at("one"), "--one-file", "--flac", "--seconds", "2", "--send-to", "jury@example.org");
  await valid(home.at("one/index.html"));
  const asked = [];
  page.on("request", (r) => { if (!r.url().startsWith("data:")) asked.push(r.url()); });
  const bad = complaints(page);
  const url = pathToFileURL(home.at("one/index.html")).href;
  await page.goto(url);
  await page.getByRole("radio", { name: "6" , exact: true }).check();
  await shot(page, "audience-begin-wide");
  await page.getByRole("button", { name: "Begin" }).click();
  for (let n = 0; n < 6; n += 1) { await hear(page, "A").waitFor(); await trial(page); }
  const mail = new URL(await page.getByRole("link", { name: "Send by mail" }).getAttribute("href"));
  assert.deepEqual([mail.protocol, mail.pathname, mail.searchParams.get("body")], ["mailto:", "jury@example.org", await line(page)]);
  assert.deepEqual(asked, [url]);
  assert.deepEqual(bad, []);
  await page.close();
});

test("what goes out is made by buttons, looked at and saved", async () => {
  const at = await desk(home.at("s"));
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  page.setDefaultTimeout(120_000);
  const bad = complaints(page);
  await page.goto(at.url);
  await page.goto(new URL("/results", at.url).href);
  await accessible(page, "verdict");
  await shot(page, "verdict-wide");
  // Only the result card, from the page of the verdict.
  for (const name of ["Plots", "One wiring a setup", "Wirings beside each other"]) await page.getByRole("checkbox", { name }).uncheck();
  await page.getByRole("button", { name: "Draw them" }).click();
  await page.getByText("The pictures are drawn").waitFor();
  const image = page.locator("ul.shown img").first();
  await image.scrollIntoViewIfNeeded();
  await page.waitForFunction(() => document.querySelector("ul.shown img").naturalWidth === 1920);
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("link", { name: /^Save card-/ }).first().click()]);
  assert.match(download.suggestedFilename(), /^card-test-1-1920x1080\.png$/);
  await page.getByLabel("Where answers go").fill("jury@example.org");
  await page.getByRole("button", { name: "Make the page" }).click();
  await page.getByText("page is written").waitFor();
  await accessible(page, "publish");
  await shot(page, "publish-wide");
  await page.emulateMedia({ colorScheme: "dark" });
  await accessible(page, "publish in the dark");
  await page.setViewportSize({ width: 390, height: 844 });
  await fits(page, "publish on a phone");
  await accessible(page, "publish on a phone");
  await shot(page, "publish-phone-dark");
  // What cannot be used is said, and nothing is made.
  await page.getByLabel("Where answers go").fill("nowhere");
  await page.getByRole("button", { name: "Make the page" }).click();
  await page.getByText(/neither an address for mail/).waitFor();
  assert.deepEqual(bad.filter((text) => !text.includes("409")), []);
  await page.close();
  assert.equal(await at.close(), 0);
});
