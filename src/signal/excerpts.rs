//! Proposals for what to listen to: a loud steady part, a sparse part, a muted-string part. Rules of ours; the engineer's ear decides.

use crate::units::SampleRate;

/// Length of a proposed excerpt, in seconds; at most half of the recording.
const LENGTH_S: f64 = 6.0;
/// Levels are looked at in steps of 10 ms.
const STEP_S: f64 = 1.0 / STEPS_PER_S as f64;
/// So many of them are a second.
const STEPS_PER_S: usize = 100;
/// An excerpt begins so long before the note that it begins with.
const LEAD_S: f64 = 0.05;

/// What a proposed excerpt is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Loud and even: level, power sharing, drive.
    Steady,
    /// Single notes that ring out: what the drivers do with a decay.
    Sparse,
    /// Short damped notes: bass and attack.
    Muted,
}

impl Purpose {
    /// The excerpt's name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::Sparse => "sparse",
            Self::Muted => "muted",
        }
    }

    /// Why it is proposed.
    #[must_use]
    pub fn why(self) -> &'static str {
        match self {
            Self::Steady => "the loudest even stretch: shows level and drive",
            Self::Sparse => "notes that ring out: shows what the drivers do with a decay",
            Self::Muted => "short damped notes: shows bass and attack",
        }
    }
}

/// A proposed excerpt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Proposal {
    /// What it is for.
    pub purpose: Purpose,
    /// Beginning in seconds.
    pub start_s: f64,
    /// End in seconds.
    pub end_s: f64,
}

/// Levels of a recording in steps of 10 ms.
struct Steps {
    /// dB of full scale, not below -100.
    db: Vec<f64>,
    /// The loudest step.
    top: f64,
    /// A note begins here: 9 dB up within 30 ms, within 25 dB of the loudest step.
    onset: Vec<bool>,
    /// A note that begins here has fallen by 15 dB within 150 ms: damped.
    damped: Vec<bool>,
    /// A note rings out: within 40 dB of the loudest step, at least 0.5 dB lower 250 ms later, and no other begins until then.
    ringing: Vec<bool>,
}

impl Steps {
    fn of(x: &[f32], rate: SampleRate) -> Self {
        let hop = ((rate.as_f64() * STEP_S) as usize).max(1);
        let level = |c: &[f32]| {
            let power = c.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / c.len() as f64;
            if power > 1e-10 { 10.0 * power.log10() } else { -100.0 }
        };
        let db: Vec<f64> = x.chunks_exact(hop).map(level).collect();
        let top = db.iter().copied().fold(-100.0, f64::max);
        let mut onset = vec![false; db.len()];
        let mut last = usize::MAX;
        for n in 3..db.len() {
            let fresh = last == usize::MAX || n > last + 6;
            if fresh && db[n] - db[n - 3] >= 9.0 && db[n] > top - 25.0 {
                onset[n] = true;
                last = n;
            }
        }
        let damped = (0..db.len())
            .map(|n| {
                let peak = db[n..(n + 4).min(db.len())].iter().copied().fold(-100.0, f64::max);
                onset[n] && db[n..(n + 15).min(db.len())].iter().any(|v| *v <= peak - 15.0)
            })
            .collect();
        let ringing = (0..db.len())
            .map(|n| {
                let later = n + 25;
                later < db.len() && db[n] > top - 40.0 && db[later] <= db[n] - 0.5 && Self::count(&onset, n + 1, 25) == 0
            })
            .collect();
        Self { db, top, onset, damped, ringing }
    }

    /// Mean and standard deviation of the levels of a window.
    fn spread(&self, from: usize, n: usize) -> (f64, f64) {
        let part = &self.db[from..from + n];
        let mean = part.iter().sum::<f64>() / n as f64;
        (mean, (part.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64).sqrt())
    }

    fn count(flags: &[bool], from: usize, n: usize) -> usize {
        flags[from..from + n].iter().filter(|f| **f).count()
    }

    /// How well a window serves a purpose; the larger the better, none when it does not serve at all.
    fn score(&self, purpose: Purpose, from: usize, n: usize) -> Option<f64> {
        let (mean, deviation) = self.spread(from, n);
        let seconds = n as f64 * STEP_S;
        let notes = Self::count(&self.onset, from, n) as f64 / seconds;
        let damped = Self::count(&self.damped, from, n) as f64 / seconds;
        match purpose {
            Purpose::Steady => (mean > self.top - 20.0).then_some(mean - deviation),
            // From a note in three seconds to three in one, not damped, falling undisturbed two fifths of the time (the last 250 ms before a
            // note never count).
            Purpose::Sparse => {
                let ringing = Self::count(&self.ringing, from, n) as f64 / n as f64;
                ((0.3..=3.0).contains(&notes) && damped < 0.5 * notes && ringing > 0.4).then_some(ringing)
            }
            // Two damped notes a second or more.
            Purpose::Muted => (damped >= 2.0 && damped >= 0.5 * notes).then_some(damped),
        }
    }
}

/// Proposes up to three excerpts within `span` (seconds) that do not overlap by more than half. A recording under 4 s is too short to choose
/// from.
#[must_use]
pub fn propose(x: &[f32], rate: SampleRate, span: (f64, f64)) -> Vec<Proposal> {
    let steps = Steps::of(x, rate);
    let end = (((span.1 / STEP_S) as usize).min(steps.db.len())) as f64 * STEP_S;
    let length = LENGTH_S.min((end - span.0) / 2.0);
    if length < 2.0 {
        return Vec::new();
    }
    let n = (length / STEP_S) as usize;
    let first = (span.0.max(0.0) / STEP_S).ceil() as usize;
    let last = ((end / STEP_S) as usize).saturating_sub(n);
    // Divided, not multiplied by a hundredth: a document says 4.95, not 4.95 and a rest.
    let seconds = |step: usize| step as f64 / STEPS_PER_S as f64;
    let mut out: Vec<Proposal> = Vec::new();
    // An excerpt begins shortly before a note rather than within one; anywhere where no note begins near.
    let lead = (LEAD_S / STEP_S).round() as usize;
    let near = STEPS_PER_S;
    let begins = |from: &usize| match steps.onset.get(from + lead) {
        Some(true) => true,
        _ => from.is_multiple_of(5) && Steps::count(&steps.onset, from.saturating_sub(near), 2 * near) == 0,
    };
    let candidates: Vec<usize> = (first..=last).filter(begins).collect();
    // The rarest kind chooses first.
    for purpose in [Purpose::Muted, Purpose::Sparse, Purpose::Steady] {
        let free = |from: usize| {
            let start = from as f64 * STEP_S;
            out.iter().all(|p| (p.end_s.min(start + length) - p.start_s.max(start)) < length / 2.0)
        };
        // Of those that serve equally the first.
        let best = (candidates.iter().rev())
            .filter(|from| free(**from))
            // The moment before the note says nothing about it.
            .filter_map(|from| Some((*from, steps.score(purpose, from + lead, n - lead)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        let Some((from, _)) = best else { continue };
        out.push(Proposal { purpose, start_s: seconds(from), end_s: seconds(from + n) });
    }
    out.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    out
}
