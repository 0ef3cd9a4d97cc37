// The receipt stays on this device: with it a listener can later find their answers in the session's log.
import { say } from "./words.js";

const part = (name) => document.getElementById(name);

/** Keeps one trial's receipt. */
export function keep(place, one) {
  if (!one) return;
  const whole = JSON.parse(localStorage.getItem(place)) || {
    format: "cabjury receipt 1", session_id: one.session_id, test: one.test, listener_sha256: one.listener_sha256, trials: [],
  };
  whole.trials = whole.trials.filter((t) => t.trial !== one.trial);
  whole.trials.push({ trial: one.trial, commitment_sha256: one.commitment_sha256, head_sha256: one.head_sha256, at: one.at });
  localStorage.setItem(place, JSON.stringify(whole));
  offer(place);
}

/** Offers what is kept here, also after the page was closed and opened again. */
export function offer(place) {
  const whole = JSON.parse(localStorage.getItem(place));
  if (!whole) return;
  const link = part("receipt-file");
  link.href = `data:application/json;charset=utf-8,${encodeURIComponent(`${JSON.stringify(whole, null, 1)}\n`)}`;
  link.download = `receipt-${whole.test}.json`;
  part("receipt-text").value = JSON.stringify(whole);
  part("receipt").hidden = false;
}

part("receipt-copy").addEventListener("click", async () => {
  const field = part("receipt-text");
  field.select();
  // Without encryption a browser gives no access to the clipboard: then the text is marked, ready to be copied by hand.
  const done = navigator.clipboard ? await navigator.clipboard.writeText(field.value).then(() => true, () => false) : false;
  part("receipt-said").textContent = say(done ? "receipt.copied" : "receipt.marked");
});
