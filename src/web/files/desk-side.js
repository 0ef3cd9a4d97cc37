// What the desk says to a listener, and the one place where the page says it.
import { known, number, say } from "./words.js";

const AGAIN_MS = 20_000;
const part = (name) => document.getElementById(name);

/** Says how it stands. */
export function status(text) { part("status").textContent = text; }

/** Says what is wrong, until it is over. */
export function trouble(text) {
  part("trouble").textContent = text ?? "";
  part("trouble").hidden = !text;
}

/** A refusal in the page's language. */
export const reason = (body) => {
  const key = `error.${body?.error?.kind ?? "other"}`;
  return say(known(key) ? key : "error.other");
};

const pause = (ms) => new Promise((go) => { setTimeout(go, ms); });

/** Asks until there is an answer: a lost connection is waited out, and said. */
export const asking = (api) => async (path, options = {}) => {
  for (let wait = 500, lost = false; ; wait = Math.min(wait * 2, 8000)) {
    try {
      const answer = await fetch(api + path, { cache: "no-store", credentials: "same-origin", ...options });
      if (![429, 500, 503].includes(answer.status)) {
        if (lost) trouble();
        return { status: answer.status, body: answer.status === 204 ? null : await answer.json() };
      }
      trouble(say("error.busy"));
    } catch {
      trouble(say("error.lost"));
    }
    lost = true;
    await pause(wait);
  }
};

/** Behind the end: the listener's own count, which nobody was told before. */
export async function own(ask) {
  const { status: code, body } = await ask("/result");
  if (code !== 200 || !body) return;
  const { own: mine, sentence, method } = body;
  const lines = [];
  if (!mine) lines.push(say("result.absent"));
  else if (mine.correct === null) lines.push(say("result.none"));
  else if (method === "preference") lines.push(say("result.preferred", mine));
  else lines.push(say("result.right", mine), say("result.guess", { p: number(mine.p_value, 3) }));
  if (mine?.unanswered > 0) lines.push(say("result.unanswered", { n: mine.unanswered }));
  part("own").replaceChildren(...lines.map((text) => Object.assign(document.createElement("p"), { textContent: text })));
  part("sentence").textContent = sentence;
  part("result").hidden = false;
}

/** Who is through stays where they are; the end of the test is looked for now and then. */
export function watchEnd(api, waits, closed) {
  setInterval(async () => {
    if (!waits() || document.visibilityState !== "visible") return;
    const answer = await fetch(api, { cache: "no-store" }).then((a) => (a.ok ? a.json() : null), () => null);
    if (answer?.phase === "closed" && waits()) closed(answer);
  }, AGAIN_MS);
}

/** Tells the desk, for as long as this page is open, that somebody is here: the engineer's board shows who left. */
export function present(api) {
  const stream = new EventSource(`${api}/here`);
  window.addEventListener("pagehide", () => stream.close());
}
