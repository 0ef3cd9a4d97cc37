//! The DI of the demo: an invented riff on synthesised plucked strings.
//!
//! A string is a delay line that feeds back through a damping filter (K. Karplus & A. Strong 1983; pick position, tuning and dynamics after
//! D. Jaffe & J. Smith 1983; both from memory). The pickup is a second comb and a resonant low-pass.

use crate::model::random::RandomWords;
use std::f64::consts::PI;

/// Frames per second of everything in the demo.
pub(super) const RATE: u32 = 48_000;
/// Silence before the first note: the quiet second that hum and noise are judged in.
const LEAD_IN: f64 = 1.1;
/// Length of an eighth note in seconds: 116 beats a minute.
const EIGHTH: f64 = 30.0 / 116.0;
/// Length of the whole.
const LENGTH: f64 = 10.2;

/// One stroke: when (in eighths), which pitches (MIDI note numbers), how long (in eighths), how hard (0 to 1), muted by the palm or not.
struct Stroke {
    at: f64,
    notes: &'static [u8],
    long: f64,
    hard: f64,
    muted: bool,
}

const E5: &[u8] = &[40, 47, 52];
const G5: &[u8] = &[43, 50, 55];
const A5: &[u8] = &[45, 52, 57];
const D5: &[u8] = &[50, 57, 62];
const LOW: &[u8] = &[40];

/// Four bars, invented: chords over a muted low string, a short run, a chord that rings out.
fn score() -> Vec<Stroke> {
    let open = |at: f64, notes, long, hard| Stroke { at, notes, long, hard, muted: false };
    let muted = |at: f64, hard| Stroke { at, notes: LOW, long: 0.9, hard, muted: true };
    let mut all = vec![
        open(0.0, E5, 1.8, 0.95),
        muted(2.0, 0.6),
        muted(3.0, 0.7),
        open(4.0, G5, 1.4, 0.85),
        muted(5.5, 0.6),
        open(6.0, A5, 1.9, 0.9),
        muted(8.0, 0.75),
        muted(9.0, 0.6),
        muted(9.5, 0.5),
        open(10.0, G5, 1.0, 0.8),
        open(11.0, A5, 1.0, 0.85),
        muted(12.0, 0.7),
        open(13.0, D5, 1.5, 0.9),
        open(14.5, A5, 1.4, 0.8),
        open(16.0, E5, 1.8, 1.0),
        muted(18.0, 0.65),
        muted(19.0, 0.7),
    ];
    let run: [(f64, &'static [u8], f64); 8] = [
        (20.0, &[64], 0.6),
        (20.5, &[67], 0.65),
        (21.0, &[69], 0.75),
        (22.0, &[67], 0.6),
        (22.5, &[64], 0.6),
        (23.0, &[62], 0.7),
        (23.5, &[59], 0.65),
        (24.0, &[57, 62], 0.8),
    ];
    all.extend(run.into_iter().map(|(at, notes, hard)| open(at, notes, if at < 24.0 { 0.6 } else { 1.0 }, hard)));
    all.push(open(25.0, G5, 0.9, 0.8));
    all.push(open(26.0, E5, 8.0, 1.0));
    all
}

/// The DI, full scale 1.0.
pub(super) fn di(random: &mut dyn RandomWords) -> Vec<f32> {
    let rate = f64::from(RATE);
    let mut out = vec![0.0f64; (LENGTH * rate) as usize];
    for stroke in score() {
        // A hand is never exact: a few milliseconds, a few per cent.
        let late = 0.012 * (random.unit() - 0.5);
        let hard = stroke.hard * (0.93 + 0.14 * random.unit());
        for (string, note) in (0u32..).zip(stroke.notes) {
            let start = LEAD_IN + stroke.at * EIGHTH + late + f64::from(string) * (0.007 + 0.004 * random.unit());
            let tone = Pluck { hz: pitch(*note, random), seconds: stroke.long * EIGHTH, hard, muted: stroke.muted };
            let first = (start * rate) as usize;
            for (o, v) in out.iter_mut().skip(first).zip(tone.play(random)) {
                *o += v;
            }
        }
    }
    pickup(&mut out);
    let peak = out.iter().fold(0.0f64, |m, v| m.max(v.abs())).max(1e-9);
    out.iter().map(|v| (0.5 * v / peak + 2e-5 * (random.unit() - 0.5)) as f32).collect()
}

/// Equal temperament on 440 Hz, a cent or two off as fingers are.
fn pitch(note: u8, random: &mut dyn RandomWords) -> f64 {
    let cents = 4.0 * (random.unit() - 0.5);
    440.0 * 2f64.powf((f64::from(note) - 69.0 + cents / 100.0) / 12.0)
}

struct Pluck {
    hz: f64,
    seconds: f64,
    hard: f64,
    muted: bool,
}

impl Pluck {
    fn play(&self, random: &mut dyn RandomWords) -> Vec<f64> {
        let rate = f64::from(RATE);
        // The damping filter (1-s, s) delays by about s samples; an all-pass gives the rest of the fraction.
        let bright = if self.muted { 0.5 } else { 0.32 };
        let period = rate / self.hz - bright - 0.5;
        let whole = period.floor().max(2.0) as usize;
        let fraction = period - whole as f64 + 0.5;
        let allpass = (1.0 - fraction) / (1.0 + fraction);
        let ring = if self.muted { 0.2 } else { 3.2 * (110.0 / self.hz).sqrt() };
        // Loop gain for 60 dB of decay in `ring` seconds.
        let keep = 0.001f64.powf(1.0 / (self.hz * ring));
        let mut line = self.excite(whole, random);
        let (mut place, mut before, mut ap_in, mut ap_out) = (0, 0.0, 0.0, 0.0);
        let held = (self.seconds * rate) as usize;
        // The finger lifts: 40 ms of fade instead of a cut.
        let lift = (0.04 * rate) as usize;
        let mut out = Vec::with_capacity(held + lift);
        for n in 0..held + lift {
            let now = line[place];
            let damped = keep * ((1.0 - bright) * now + bright * before);
            before = now;
            let tuned = allpass * damped + ap_in - allpass * ap_out;
            (ap_in, ap_out) = (damped, tuned);
            line[place] = tuned;
            place = (place + 1) % whole;
            let fade = if n < held { 1.0 } else { 0.5 + 0.5 * (PI * (n - held) as f64 / lift as f64).cos() };
            out.push(now * fade * self.hard);
        }
        out
    }

    /// One period of noise, softened by how softly it is picked, and combed by where it is picked.
    fn excite(&self, whole: usize, random: &mut dyn RandomWords) -> Vec<f64> {
        let cutoff = if self.muted { 1500.0 } else { 2200.0 + 4200.0 * self.hard * self.hard };
        let a = 1.0 - (-2.0 * PI * cutoff / f64::from(RATE)).exp();
        let mut low = 0.0;
        let noise: Vec<f64> = (0..2 * whole)
            .map(|_| {
                low += a * (2.0 * random.unit() - 1.0 - low);
                low
            })
            .skip(whole)
            .collect();
        // Picked at an eighth of the string: the eighth harmonic and its multiples are missing.
        let pick = (whole as f64 * 0.125).round() as usize;
        let combed: Vec<f64> = (0..whole).map(|n| noise[n] - 0.9 * noise[(n + whole - pick) % whole]).collect();
        let mean = combed.iter().sum::<f64>() / whole as f64;
        let rms = (combed.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / whole as f64).sqrt().max(1e-9);
        combed.iter().map(|v| (v - mean) / rms).collect()
    }
}

/// A pickup near the bridge: a short comb and a resonance at 3.6 kHz, above which it falls.
fn pickup(x: &mut [f64]) {
    let back = (0.00042 * f64::from(RATE)) as usize;
    for n in (back..x.len()).rev() {
        x[n] -= 0.45 * x[n - back];
    }
    let low_pass = super::filter::Biquad::low_pass(3600.0, 1.9, RATE);
    let high_pass = super::filter::Biquad::high_pass(55.0, 0.7, RATE);
    low_pass.run(x);
    high_pass.run(x);
}
