// The sound path of a blind trial. All slots loop in step on one clock; a switch is 10 ms out, 10 ms silence, 10 ms in, the same for every
// pair of slots and for a slot to itself. Nothing here depends on what a slot holds.

/** Length of a fade, and of the silence between two, in seconds. */
export const FADE_S = 0.010;

/** Frames of a fade at a rate. */
export const fadeFrames = (rate) => Math.round(rate * FADE_S);

/** The rising half of a raised cosine: in(k) = 0.5 - 0.5 cos(pi (k + 0.5) / n), one point per frame and one more. */
export function rising(n) {
  const curve = new Float32Array(n + 1);
  for (let k = 0; k <= n; k += 1) curve[k] = 0.5 - 0.5 * Math.cos(Math.PI * (Math.min(k, n - 1) + 0.5) / n);
  return curve;
}

/** The falling half: out(k) = in(n - 1 - k). */
export function falling(n) {
  const up = rising(n);
  const curve = new Float32Array(n + 1);
  for (let k = 0; k <= n; k += 1) curve[k] = up[Math.max(n - 1 - k, 0)];
  return curve;
}

export class Player {
  /** `buffers`: AudioBuffers of one length and rate. `context` may be an OfflineAudioContext. `part`: what is looped, [from, to] in seconds;
   *  null for the whole. */
  constructor(context, buffers, part = null) {
    this.context = context;
    this.rate = context.sampleRate;
    this.n = fadeFrames(this.rate);
    this.up = rising(this.n);
    this.down = falling(this.n);
    this.slot = null;
    this.wanted = undefined;
    this.busyUntil = 0;
    this.buffers = buffers;
    this.part = this.whole(part);
    this.leaving = [];
    this.build();
  }

  /** A part begins and ends at whole frames. */
  whole(part) { return part && part.map((s) => Math.round(s * this.rate) / this.rate); }

  /** What is looped, in seconds. */
  span() { return this.part ?? [0, this.buffers[0].length / this.rate]; }

  /** Sources and gains of all slots, for the part that is looped. */
  build() {
    const { context } = this;
    const loop = this.part ? { loopStart: this.part[0], loopEnd: this.part[1] } : {};
    this.gains = [];
    this.sources = this.buffers.map((buffer) => {
      const source = new AudioBufferSourceNode(context, { buffer, loop: true, ...loop });
      const gain = new GainNode(context, { gain: 0 });
      source.connect(gain).connect(context.destination);
      this.gains.push(gain.gain);
      return source;
    });
  }

  /** Starts all slots in step, silent, at the beginning of what is looped. */
  start(at = 0) {
    this.began = at;
    for (const gain of this.gains) gain.setValueAtTime(0, 0);
    for (const source of this.sources) source.start(at, this.part ? this.part[0] : 0);
  }

  /** Where the loop stands, in seconds of the passage: the same for every slot. */
  where() {
    const [from, to] = this.span();
    const heard = this.context.currentTime - (this.context.outputLatency || 0) - this.began;
    return from + (Math.max(0, heard) % (to - from));
  }

  /** From now on a part is looped for every slot ([from, to] in seconds), or the whole with null. All slots begin it in step; what sounds
   *  goes out and comes in again as with any switch. */
  loop(part) {
    const { n, rate } = this;
    const slot = this.wanted === undefined ? this.slot : this.wanted;
    clearTimeout(this.timer);
    this.timer = undefined;
    this.wanted = undefined;
    const frame = Math.max(Math.ceil((this.context.currentTime + 0.02) * rate), this.busyUntil);
    if (this.slot !== null) this.schedule(this.slot, null, frame);
    this.leaving = this.sources;
    for (const source of this.leaving) source.stop((frame + n) / rate);
    this.part = this.whole(part);
    this.build();
    this.start((frame + n) / rate);
    if (slot !== null) this.schedule(null, slot, frame);
    this.slot = slot;
    this.busyUntil = frame + 3 * n + 1;
  }

  /** Writes one switch onto the clock, from a slot (or null) to a slot (or null), beginning at a whole frame. Returns the frame at which
   *  it is over. */
  schedule(from, to, frame) {
    const { n, rate } = this;
    const at = (f) => f / rate;
    // A hair less than n frames: rounding must never let a curve reach into the value that is set at its end, which would be refused.
    const length = (n / rate) * (1 - 1e-9);
    if (from !== null) {
      const gain = this.gains[from];
      gain.setValueCurveAtTime(this.down, at(frame), length);
      gain.setValueAtTime(0, at(frame + n));
    }
    if (to !== null) {
      const gain = this.gains[to];
      gain.setValueCurveAtTime(this.up, at(frame + 2 * n), length);
      gain.setValueAtTime(1, at(frame + 3 * n));
    }
    return frame + 3 * n;
  }

  /** Switches to a slot, or to silence with null. A switch that comes during another one waits for its end; the last wish counts. */
  play(slot) {
    this.wanted = slot;
    if (this.timer === undefined) this.turn();
  }

  turn() {
    this.timer = undefined;
    if (this.wanted === undefined) return;
    const slot = this.wanted;
    this.wanted = undefined;
    if (this.slot === null && slot === null) return;
    // A little ahead of the clock, so that the whole switch is heard.
    const frame = Math.ceil((this.context.currentTime + 0.02) * this.rate);
    const end = this.schedule(this.slot, slot, Math.max(frame, this.busyUntil));
    this.busyUntil = end + 1;
    this.slot = slot;
    const wait = Math.max(0, end / this.rate - this.context.currentTime) * 1000;
    this.timer = setTimeout(() => this.turn(), wait + 5);
  }

  /** Ends all sound. */
  stop() {
    clearTimeout(this.timer);
    this.timer = undefined;
    this.wanted = undefined;
    for (const source of [...this.leaving, ...this.sources]) {
      try { source.stop(); } catch { /* not started yet */ }
      source.disconnect();
    }
    this.leaving = [];
    this.sources = [];
    this.slot = null;
  }
}

/** Reads files into buffers, telling how far it is (0 to 1). */
export async function load(context, urls, tell) {
  const got = urls.map(() => 0);
  const one = async (url, i) => {
    const answer = await fetch(url, { cache: "no-store" });
    if (!answer.ok) throw new Error(String(answer.status));
    const total = Number(answer.headers.get("content-length")) || 0;
    const parts = [];
    let size = 0;
    const reader = answer.body.getReader();
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      parts.push(value);
      size += value.length;
      if (total > 0) got[i] = size / total;
      tell(got.reduce((a, b) => a + b, 0) / urls.length);
    }
    const bytes = new Uint8Array(size);
    let place = 0;
    for (const part of parts) { bytes.set(part, place); place += part.length; }
    return context.decodeAudioData(bytes.buffer);
  };
  const buffers = await Promise.all(urls.map(one));
  const frames = Math.min(...buffers.map((b) => b.length));
  if (buffers.some((b) => b.length !== frames)) throw new Error("lengths differ");
  return buffers;
}
