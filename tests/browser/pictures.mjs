// The README's pictures: node pictures.mjs SESSION CARD OUT (sessions/pictures/make calls it).
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { browser, desk, hear, toTrial } from "./support.mjs";

const [session, card, out] = process.argv.slice(2);
const b = await browser();
const at = await desk(session, "--test", "test-3", "--invite", "ann");
try {
  // The card at the width at which a README shows it, so that it stays a small file.
  const small = await b.newPage({ viewport: { width: 800, height: 450 } });
  const data = readFileSync(card).toString("base64");
  await small.setContent(`<body style="margin:0"><img src="data:image/png;base64,${data}" width="800" height="450"></body>`);
  await small.locator("img").evaluate((image) => image.decode());
  await small.screenshot({ path: join(out, "card.png") });

  const page = await b.newPage({ viewport: { width: 800, height: 450 } });
  await toTrial(page, at.invitations[0].url);
  await hear(page, "A").click();
  await page.waitForTimeout(600);
  await hear(page, "B").click();
  await page.waitForTimeout(600);
  await page.screenshot({ path: join(out, "listening.png") });
} finally {
  await b.close();
  await at.close();
}
