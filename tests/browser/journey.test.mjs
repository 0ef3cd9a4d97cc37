// The whole evening in a browser, from an empty folder to the verdict, with files dropped in.
import test from "node:test";
import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { accessible, answer, browser, complaints, desk, fits, folder, hear, riff, run, shot, toTrial, wav } from "./support.mjs";

const PAGES = ["/", "/runsheet", "/takes", "/clips", "/tests", "/listeners", "/cards", "/results", "/publish", "/log", "/audit"];

async function look(page, base, name) {
  for (const path of PAGES) {
    await page.goto(base + path);
    await accessible(page, `${name} ${path}`);
    await fits(page, `${name} ${path}`);
    await shot(page, `${name}-${path.slice(1) || "sheet"}`);
  }
}

test("from an empty folder to the verdict", async (t) => {
  const home = folder();
  mkdirSync(home.at("s"));
  const at = await desk(home.at("s"));
  const base = new URL(at.url).origin;
  const b = await browser();
  t.after(async () => { await b.close(); at.child.kill("SIGKILL"); });
  const page = await b.newPage({ viewport: { width: 1280, height: 900 } });
  // A build without optimisation on a busy machine looks at nine recordings for a minute.
  page.setDefaultTimeout(180_000);
  page.setDefaultNavigationTimeout(180_000);
  const bad = complaints(page);

  // Without the key nothing opens; the link brings a cookie, and the key is gone from the address.
  assert.equal((await page.goto(base)).status(), 403);
  await accessible(page, "no key");
  await page.goto(at.url);
  assert.equal(page.url(), `${base}/`);
  bad.length = 0;
  await look(page, base, "empty");

  // The rig.
  await page.goto(`${base}/`);
  await page.getByText("Describe the rig in fields").click();
  const fill = async (label, value) => page.getByLabel(label, { exact: true }).fill(value);
  await fill("Title", "An invented evening");
  await fill("Question", "Is series against parallel audible?");
  await fill("Amplifier", "head 1");
  await fill("Rated power", "50");
  for (const [i, label] of [[1, "A"], [2, "B"]]) {
    await fill(`Label of driver ${i}`, label);
    await fill(`Rated impedance ${i}`, "8");
    await fill(`Rated power ${i}`, "30");
  }
  await fill("Name of setup 1", "series"); await fill("Wiring 1", "A + B"); await fill("Tap 1", "16");
  await fill("Name of setup 2", "parallel"); await fill("Wiring 2", "A || B"); await fill("Tap 2", "4");
  await page.getByRole("button", { name: "Read the rig in" }).click();
  await page.getByText("The rig was read in: 2 setups.").waitFor();
  assert.match(await page.locator("article.card").first().textContent(), /matched/);

  // The ohmmeter: a reading that fits, and one that does not.
  await page.getByLabel("Ohmmeter reads").first().fill("12.9");
  await page.getByRole("button", { name: "Judge the reading" }).first().click();
  await page.getByText(/series reads as intended/).waitFor();
  await page.getByLabel("Ohmmeter reads").nth(1).fill("OL");
  await page.getByRole("button", { name: "Judge the reading" }).nth(1).click();
  await page.getByText(/does not read as intended/).waitFor();
  await page.getByLabel("Ohmmeter reads").first().fill("12,9x");
  await page.getByRole("button", { name: "Judge the reading" }).first().click();
  await page.getByText("Not done:").or(page.getByText("is neither")).first().waitFor();

  // What last read wrong is not recorded: it is mended and read again.
  await page.getByLabel("Ohmmeter reads").nth(1).fill("3.3");
  await page.getByRole("button", { name: "Judge the reading" }).nth(1).click();
  await page.getByText(/parallel reads as intended/).waitFor();

  // The run sheet: its order is drawn, the DI is chosen, takes are dropped on their rows.
  await page.goto(`${base}/runsheet`);
  await page.getByLabel("Takes of each setup").fill("4");
  await page.getByRole("button", { name: "Draw the order" }).click();
  const rate = 48000;
  wav(home.at("di.wav"), riff(3, rate, 0, 9), rate);
  await page.locator("#file-di").setInputFiles(home.at("di.wav"));
  await page.getByText("di.wav: taken in as").waitFor();
  const rows = page.locator(".passes > li");
  const count = await rows.count();
  assert.equal(count, 8);
  for (let i = 0; i < count; i += 1) {
    const setup = await rows.nth(i).locator(".drop").getAttribute("data-setup");
    const path = wav(home.at(`pass-${i + 1}.wav`), riff(3, rate, setup === "series" ? 0.2 : 0.6, 20 + i, i * 11), rate);
    const bytes = readFileSync(path).toString("base64");
    const transfer = await page.evaluateHandle(({ bytes, name }) => {
      const data = Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0));
      const t = new DataTransfer();
      t.items.add(new File([data], name, { type: "audio/wav" }));
      return t;
    }, { bytes, name: `pass-${i + 1}.wav` });
    await rows.nth(i).locator(".drop").dispatchEvent("drop", { dataTransfer: transfer });
  }
  await page.waitForFunction((n) => document.querySelectorAll(".passes > li.done").length === n, count, { timeout: 180_000 });
  await shot(page, "journey-runsheet");
  await page.locator("#file-pass1").setInputFiles({ name: "notes.txt", mimeType: "text/plain", buffer: Buffer.from("no sound") });
  await page.getByText(/notes.txt: not taken in/).waitFor();
  bad.length = 0; // the browser itself writes refused requests into its console

  await page.goto(`${base}/takes`);
  await page.getByRole("button", { name: "Check all takes" }).click();
  await page.getByText("9 recordings were looked at.").waitFor({ timeout: 180_000 });

  await page.goto(`${base}/clips`);
  const wave = page.locator(".wave svg");
  const box = await wave.boundingBox();
  await page.mouse.click(box.x + box.width * 0.2, box.y + 30);
  await page.mouse.click(box.x + box.width * 0.8, box.y + 30);
  assert.ok(Math.abs(Number(await page.locator("#start").inputValue()) - 0.6) < 0.05);
  await page.getByRole("button", { name: "Make the clips" }).click();
  await page.getByText("8 clips were made").waitFor({ timeout: 180_000 });

  // The plan: what it could find follows the fields.
  await page.goto(`${base}/tests`);
  await page.getByText("will be scored").waitFor();
  const before = await page.locator("#what-if").textContent();
  await page.getByText("More", { exact: true }).click();
  await page.getByLabel("Trials for each listener").fill("2");
  await page.getByLabel("Same-file controls").fill("0");
  await page.getByLabel("Repeat-take controls").fill("0");
  await page.waitForFunction((old) => document.getElementById("what-if").textContent !== old, before);
  await page.getByRole("button", { name: "Seal the test" }).click();
  await page.getByText(/Sealed as test-1/).waitFor();
  await page.getByRole("link", { name: "Invite listeners" }).click();
  await page.getByLabel("Invite a listener").fill("ann");
  await page.getByRole("button", { name: "Make a link" }).click();
  const link = await page.locator(".invitation a").getAttribute("href");
  await look(page, base, "wide");

  // A phone in the room.
  const phone = await b.newPage({ viewport: { width: 390, height: 800 } });
  await toTrial(phone, base + link);
  await answer(phone, "A");
  await phone.getByRole("button", { name: "Next trial" }).click();
  await hear(phone, "A").waitFor();
  await page.goto(`${base}/tests`);
  await page.getByText("1 trial answered").waitFor();
  assert.equal(await page.getByText(/right \(chance/).count(), 0);
  await answer(phone, "B");
  await phone.getByRole("heading", { name: "The test is closed" }).waitFor();

  await page.goto(`${base}/results`);
  await page.getByText(/too few trials to tell|Too few trials to tell/i).first().waitFor();
  await page.goto(`${base}/report`);
  await accessible(page, "report");
  await page.setViewportSize({ width: 390, height: 800 });
  await look(page, base, "phone");
  await page.emulateMedia({ colorScheme: "dark" });
  await look(page, base, "dark");
  await page.emulateMedia({ colorScheme: "light", media: "print" });
  await page.goto(`${base}/results`);
  await shot(page, "print-results");
  assert.deepEqual(bad, [], "the console stays quiet");
  await b.close();
  assert.equal(await at.close(), 0);
  assert.equal(JSON.parse(run("audit", home.at("s"), "--json")).ok, true);
  home.gone();
});
