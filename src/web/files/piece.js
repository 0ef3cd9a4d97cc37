// A part of the passage in a loop: the same part of every sample, begun in step, and kept for the next trial.
import { number, say } from "./words.js";

const PART_S = 0.5;
const part = (name) => document.getElementById(name);
const s = (value) => number(value, 1);

let player = null;   // what plays
let looped;          // told when the loop began anew
let from = null;     // where a part begins that has no end yet

/** The part that is looped, [from, to] in seconds; null for the whole. */
export let piece = null;

function shown() {
  part("part-to").disabled = from === null;
  part("part-whole").disabled = from === null && piece === null;
  part("part-said").textContent = from !== null ? say("part.open", { from: s(from) })
    : piece ? say("part.said", { from: s(piece[0]), to: s(piece[1]) }) : say("part.all");
}

/** What the buttons are about from now on. */
export function attend(one, told) {
  player = one;
  looped = told;
  from = null;
  shown();
}

export function begins() {
  from = player.where();
  shown();
}

export function ends() {
  if (from === null) return;
  // Once round the end: the part goes up to the end.
  const now = player.where();
  const to = now < from ? player.span()[1] : now;
  if (to - from < PART_S) { part("part-said").textContent = say("part.short"); return; }
  piece = [from, to];
  from = null;
  looped();
  shown();
}

export function whole() {
  from = null;
  const was = piece;
  piece = null;
  if (was) looped();
  shown();
}

part("part-from").addEventListener("click", begins);
part("part-to").addEventListener("click", ends);
part("part-whole").addEventListener("click", whole);
