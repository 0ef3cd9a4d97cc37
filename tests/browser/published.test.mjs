// What is published: the report by an HTML validator and axe, captions by a WebVTT parser, the audience page from draw to votes.
import test from "node:test";
import assert from "node:assert/strict";
import { createServer } from "node:http";
import { readFileSync, writeFileSync } from "node:fs";
import { extname, join } from "node:path";
import { pathToFileURL } from "node:url";
import { HtmlValidate } from "html-validate";
import webvtt from "webvtt-parser";
import { accessible, browser, complaints, fits, folder, run, session, shot } from "./support.mjs";

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

test("the audience page: draws of one's own, an exact p, and a text that votes takes in", async () => {
  await valid(home.at("web/index.html"));
  const kinds = { ".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".json": "application/json", ".wav": "audio/wav" };
  const server = createServer((request, response) => {
    const path = new URL(request.url, "http://x").pathname;
    try {
      const bytes = readFileSync(join(home.at("web"), path === "/" ? "index.html" : path));
      response.writeHead(200, { "content-type": kinds[extname(path) || ".html"], "content-length": bytes.length });
      response.end(bytes);
    } catch { response.writeHead(404); response.end(); }
  });
  await new Promise((go) => { server.listen(0, "127.0.0.1", go); });
  const page = await b.newPage({ viewport: { width: 390, height: 800 } });
  const bad = complaints(page);
  await page.goto(`http://127.0.0.1:${server.address().port}/`);
  await accessible(page, "begin");
  await fits(page, "begin");
  await page.getByRole("button", { name: "Begin" }).click();
  const key = [];
  for (let n = 0; n < 16; n += 1) {
    await page.getByRole("button", { name: "A", exact: true }).waitFor();
    if (n === 0) { await accessible(page, "trial"); await shot(page, "audience-trial"); }
    for (const label of ["A", "B", "X"]) { await page.getByRole("button", { name: label, exact: true }).click(); await page.waitForTimeout(370); }
    await page.getByRole("radio", { name: "A", exact: true }).check();
    await page.getByRole("button", { name: "Answer" }).click();
  }
  await page.getByRole("heading", { name: "Your score" }).waitFor();
  await accessible(page, "end");
  await shot(page, "audience-end");
  await page.getByLabel(/A name of your own/).fill("zoe");
  const text = await page.getByLabel(/Your answers as text/).inputValue();
  for (const line of text.split("\n").slice(1)) key.push(line.split(",")[3]);
  const right = key.filter((k) => k === "A").length;
  assert.match(await page.locator("#score").textContent(), new RegExp(`^${right} of 16 right`));
  writeFileSync(home.at("answers.csv"), text);
  const doc = JSON.parse(run("votes", home.at("s"), home.at("answers.csv"), "--audience", "--json"));
  assert.deepEqual([doc.design, doc.people, doc.answers, doc.correct, doc.unguarded], ["own-keys", 1, 16, right, true]);
  // 12 of 16: p = 0.0384 (table of the exact binomial; `chance` of the program is checked against published values elsewhere).
  const p = await page.evaluate(async () => (await import("./audience.js")).chance(12, 16));
  assert.ok(Math.abs(p - JSON.parse(run("chance", "--method", "abx", "--trials", "16", "--correct", "12", "--json")).p_value) < 1e-12);
  // A line that was lost is found by the code.
  writeFileSync(home.at("cut.csv"), text.split("\n").slice(0, -1).join("\n"));
  assert.throws(() => run("votes", home.at("s"), home.at("cut.csv"), "--audience"), /do not give their code/);
  assert.deepEqual(bad, []);
  server.close();
  await page.close();
});
