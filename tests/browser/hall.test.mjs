// An audience's visitor in a browser, behind nginx: the replica that served them dies in the middle of a trial, and nobody notices.
// sessions/hall sets everything up, as somebody does who looks at it: its own PostgreSQL, two replicas, nginx with the snippet that is shipped.
import test from "node:test";
import assert from "node:assert/strict";
import { spawn, execFileSync } from "node:child_process";
import { createServer } from "node:net";
import { existsSync, writeFileSync } from "node:fs";
import { accessible, answer, browser, complaints, fits, folder, program, session, shot } from "./support.mjs";

const script = new URL("../../sessions/hall", import.meta.url).pathname;

/** A port with two free ones behind it. */
const free = () => new Promise((go) => {
  const probe = createServer();
  probe.listen(0, "127.0.0.1", () => { const { port } = probe.address(); probe.close(() => go(port)); });
});

let home; let hall; let said = ""; let at = {}; let b;
test.before(async () => {
  home = folder();
  hall = spawn(script, [String(await free()), session(home, 3)], { env: { ...process.env, CABJURY: program }, stdio: ["ignore", "pipe", "inherit"] });
  await new Promise((go, fail) => {
    hall.stdout.on("data", (text) => { said += text; if (said.includes("Ctrl-C ends it")) go(); });
    hall.on("exit", (code) => fail(new Error(`sessions/hall ended with ${code}: ${said}`)));
  });
  at = Object.fromEntries(said.split("\n").map((l) => l.match(/^(\w+): +(.+)$/)).filter(Boolean).map((m) => [m[1], m[2]]));
  b = await browser();
});
test.after(async () => {
  await b.close();
  hall.removeAllListeners("exit");
  const ended = new Promise((go) => { hall.on("exit", go); });
  hall.kill("SIGINT");
  assert.equal(await ended, 0);
  assert.equal(existsSync(at.key), false, "something stayed behind");
  home.gone();
});

const cabjury = (...args) => JSON.parse(execFileSync(program, [...args, "--json"], {
  env: { ...process.env, CABJURY_HALL_DATABASE: at.database }, encoding: "utf8", maxBuffer: 1 << 28,
}));

test("a visitor on a phone goes through; the replica dies in a trial; the engineer collects", async () => {
  const context = await b.newContext({ viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true });
  const page = await context.newPage();
  const bad = complaints(page);
  await page.goto(at.visitors);
  await page.getByRole("button", { name: "Set the level" }).click();
  await page.getByRole("button", { name: "The level is set" }).click();
  const begun = Date.now();
  for (let n = 1; n <= 10; n += 1) {
    await page.getByRole("button", { name: "Next trial" }).click();
    await page.getByRole("button", { name: "Send the answer" }).waitFor();
    assert.match(await page.locator("#count").textContent(), new RegExp(`Trial ${n} of 10`));
    if (n === 1) { await accessible(page, "a visitor's trial"); await fits(page); await shot(page, "hall-1-trial"); }
    if (n === 2) {
      // One replica is killed while the trial is open; the page is reloaded and goes on with the same trial at the other one.
      process.kill(Number(at.replicas.split(" ")[0]), "SIGKILL");
      await page.reload();
      await page.getByRole("button", { name: "Set the level" }).click();
      await page.getByRole("button", { name: "Next trial" }).click();
      await page.getByRole("button", { name: "Send the answer" }).waitFor();
      assert.match(await page.locator("#count").textContent(), /Trial 2 of 10/);
    }
    await answer(page, "A");
  }
  await page.getByRole("heading", { name: "Thank you" }).waitFor();
  await page.locator("#own p").first().waitFor();
  assert.match(await page.locator("#own").textContent(), /You were right in \d+ of \d+ trials/);
  assert.ok(Date.now() - begun < 180_000, "ten trials took more than three minutes");
  await shot(page, "hall-2-through");
  const receipt = await page.locator("#receipt-text").inputValue();
  assert.deepEqual(bad.filter((line) => !/502|503|504/.test(line)), []);
  await context.close();

  const [, test_, folder] = at.session.match(/^(\S+) of (.+)$/);
  assert.equal(cabjury("hall", "status", folder, "--test", test_).picks, 10);
  cabjury("hall", "close", folder, "--test", test_);
  assert.equal(cabjury("hall", "collect", folder, "--test", test_, "--key", at.key).picks, 10);
  const audience = cabjury("score", folder).audience[0];
  assert.deepEqual([audience.verdict, audience.visitors, audience.through], ["audience", 1, 1]);
  writeFileSync(`${folder}-receipt.json`, receipt);
  assert.equal(cabjury("audit", folder, "--receipts", `${folder}-receipt.json`).ok, true);
});
