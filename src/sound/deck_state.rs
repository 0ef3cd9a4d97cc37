//! What both halves of a deck and the program share: atomics, and what is played.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU32, AtomicU64, Ordering};

/// Where a deck is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Phase {
    /// Silent; inputs are metered.
    Idle = 0,
    /// The DI sounds again and again, for setting levels; nothing is recorded.
    Loop = 1,
    /// The beginning of the DI fades in, before the first pass of a setup; nothing is recorded.
    Lead = 2,
    /// The recording begins with the next callback of the input.
    Armed = 3,
    /// It is recorded.
    Rolling = 4,
    /// The pass is over.
    Done = 5,
}

impl Phase {
    fn of(value: u8) -> Self {
        match value {
            1 => Self::Loop,
            2 => Self::Lead,
            3 => Self::Armed,
            4 => Self::Rolling,
            5 => Self::Done,
            _ => Self::Idle,
        }
    }
}

/// Lengths of a pass's parts, in frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timing {
    /// Of the DI's beginning that fades in before the first pass of a setup.
    pub lead: u64,
    /// Of the silence behind it.
    pub gap: u64,
    /// Of the silence in which noise and hum are recorded.
    pub count_in: u64,
    /// Of the silence behind the DI.
    pub tail: u64,
}

/// What is played.
#[derive(Debug, Clone)]
pub struct Material {
    /// The DI, one channel.
    pub di: Arc<[f32]>,
    /// Noise in front of it, and a rest of the same length behind that; empty for none.
    pub burst: Arc<[f32]>,
    /// Lengths.
    pub timing: Timing,
}

impl Material {
    /// Frames of a whole pass as it is recorded.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.before_di() + self.di.len() as u64 + self.timing.tail
    }

    /// Frames in front of the DI.
    #[must_use]
    pub fn before_di(&self) -> u64 {
        self.timing.count_in + 2 * self.burst.len() as u64
    }
}

/// The most that leaves the output, as a factor of full scale: -1 dBFS.
pub const CEILING: f32 = 0.891_250_9;

/// What both halves and the program share.
#[derive(Debug, Default)]
pub struct Shared {
    phase: AtomicU8,
    stop: AtomicBool,
    /// Bits of the output's factor.
    gain: AtomicU32,
    pub(super) out_frames: AtomicU64,
    pub(super) in_frames: AtomicU64,
    /// Input frames at which the recording began.
    pub(super) in_start: AtomicU64,
    /// Input frames that were there when the output began its programme.
    pub(super) in_at_play: AtomicU64,
    pub(super) recorded: AtomicU64,
    written: AtomicU64,
    pub(super) limited: AtomicU64,
    pub(super) ring_full: AtomicBool,
    pub(super) peaks: Vec<AtomicU32>,
    pub(super) clips: Vec<AtomicU64>,
}

/// What an input's meter shows since it was last looked at.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct InputMeter {
    /// Largest magnitude; 0 for digital silence.
    pub peak: f32,
    /// Samples at full scale since the start.
    pub clips: u64,
}

impl Shared {
    pub(super) fn new(inputs: usize) -> Self {
        Self {
            peaks: (0..inputs).map(|_| AtomicU32::new(0)).collect(),
            clips: (0..inputs).map(|_| AtomicU64::new(0)).collect(),
            ..Self::default()
        }
    }

    /// Where the deck is.
    #[must_use]
    pub fn phase(&self) -> Phase {
        Phase::of(self.phase.load(Ordering::Acquire))
    }

    /// Leaves one phase for another; false when the deck was elsewhere.
    pub fn go(&self, from: Phase, to: Phase) -> bool {
        self.phase.compare_exchange(from as u8, to as u8, Ordering::AcqRel, Ordering::Acquire).is_ok()
    }

    /// Makes ready for a pass and begins it, by the faded beginning or at once; false when something sounds.
    pub fn roll(&self, lead: bool) -> bool {
        if self.phase() != Phase::Idle {
            return false;
        }
        self.stop.store(false, Ordering::Release);
        for counter in [&self.recorded, &self.written, &self.limited] {
            counter.store(0, Ordering::Release);
        }
        self.ring_full.store(false, Ordering::Release);
        self.go(Phase::Idle, if lead { Phase::Lead } else { Phase::Armed })
    }

    /// Plays the DI again and again; false when something else sounds.
    pub fn loop_di(&self) -> bool {
        self.stop.store(false, Ordering::Release);
        self.go(Phase::Idle, Phase::Loop)
    }

    /// Ends whatever sounds, within a few milliseconds.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Release);
    }

    /// True when it was asked to end.
    #[must_use]
    pub fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    /// Sets the output's factor, 0 to 1.
    pub fn set_gain(&self, gain: f32) {
        self.gain.store(gain.clamp(0.0, 1.0).to_bits(), Ordering::Release);
    }

    pub(super) fn gain(&self) -> f32 {
        f32::from_bits(self.gain.load(Ordering::Acquire))
    }

    /// Frames played and frames taken since the start.
    #[must_use]
    pub fn frames(&self) -> (u64, u64) {
        (self.out_frames.load(Ordering::Acquire), self.in_frames.load(Ordering::Acquire))
    }

    /// Frames of this pass that were taken, and of them written.
    #[must_use]
    pub fn progress(&self) -> (u64, u64) {
        (self.recorded.load(Ordering::Acquire), self.written.load(Ordering::Acquire))
    }

    /// Counts frames that the writer has written.
    pub fn wrote(&self, frames: u64) {
        self.written.fetch_add(frames, Ordering::AcqRel);
    }

    /// Frame of the recording at which the output's programme began, by the callbacks' counts.
    #[must_use]
    pub fn placed(&self) -> i64 {
        let (start, play) = (self.in_start.load(Ordering::Acquire), self.in_at_play.load(Ordering::Acquire));
        i64::try_from(play).unwrap_or(i64::MAX).saturating_sub(i64::try_from(start).unwrap_or(i64::MAX))
    }

    /// Samples that the limiter held down in this pass.
    #[must_use]
    pub fn limited(&self) -> u64 {
        self.limited.load(Ordering::Acquire)
    }

    /// The writer did not keep up.
    #[must_use]
    pub fn ring_full(&self) -> bool {
        self.ring_full.load(Ordering::Acquire)
    }

    /// Meters of the recorded inputs; peaks begin anew.
    pub fn meters(&self) -> Vec<InputMeter> {
        self.peaks
            .iter()
            .zip(&self.clips)
            .map(|(p, c)| InputMeter { peak: f32::from_bits(p.swap(0, Ordering::AcqRel)), clips: c.load(Ordering::Acquire) })
            .collect()
    }
}
