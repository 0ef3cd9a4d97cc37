//! What the audio threads run while the tool records: one half plays the DI, the other takes the inputs. Neither allocates, locks, logs, or
//! makes a system call.
//!
//! Time is counted in the callbacks' own frames. The input half begins a recording at the beginning of one of its callbacks; the output half
//! begins its programme in the next of its own and notes how many input frames there were by then: that places the recording.

use crate::units::SampleRate;
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
    out_frames: AtomicU64,
    in_frames: AtomicU64,
    /// Input frames at which the recording began.
    in_start: AtomicU64,
    /// Input frames that were there when the output began its programme.
    in_at_play: AtomicU64,
    recorded: AtomicU64,
    written: AtomicU64,
    limited: AtomicU64,
    ring_full: AtomicBool,
    peaks: Vec<AtomicU32>,
    clips: Vec<AtomicU64>,
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
    fn new(inputs: usize) -> Self {
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

    fn gain(&self) -> f32 {
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

/// Both halves, what they share, and the ring of recorded samples (frame by frame, recorded inputs only).
pub struct Deck {
    /// For the output's callback.
    pub player: DeckPlayer,
    /// For the input's callback.
    pub taker: DeckTaker,
    /// For the program.
    pub shared: Arc<Shared>,
    /// For the writer.
    pub ring: rtrb::Consumer<f32>,
}

/// Which channels are used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Channels {
    /// Output channels of the device's buffer.
    pub outputs: usize,
    /// The output that feeds the reamp box, from 0.
    pub reamp: usize,
    /// Input channels of the device's buffer.
    pub inputs: usize,
    /// Inputs that are recorded, from 0, in the order of the files.
    pub taken: Vec<usize>,
}

/// Seconds of sound that the ring holds: a disk may be busy for so long.
const RING_S: usize = 8;

impl Deck {
    /// A deck for a rate, channels and material.
    #[must_use]
    pub fn new(rate: SampleRate, channels: &Channels, material: Material) -> Self {
        let shared = Arc::new(Shared::new(channels.taken.len()));
        let (into, ring) = rtrb::RingBuffer::new(RING_S * rate.hz() as usize * channels.taken.len().max(1));
        let player = DeckPlayer {
            shared: Arc::clone(&shared),
            outputs: channels.outputs.max(1),
            reamp: channels.reamp,
            edge: (rate.as_f64() * 0.005).max(1.0) as u64,
            glide: (1.0 / (0.02 * rate.as_f64())) as f32,
            gain: 0.0,
            seen: Phase::Idle,
            at: 0,
            falling: None,
            material: material.clone(),
        };
        let taker = DeckTaker {
            shared: Arc::clone(&shared),
            inputs: channels.inputs.max(1),
            taken: channels.taken.clone(),
            total: material.frames(),
            scratch: vec![0.0; SCRATCH_FRAMES * channels.taken.len().max(1)],
            into,
        };
        Self { player, taker, shared, ring }
    }
}

/// The output's half.
pub struct DeckPlayer {
    shared: Arc<Shared>,
    material: Material,
    outputs: usize,
    reamp: usize,
    /// Frames of the fall at a stop.
    edge: u64,
    glide: f32,
    gain: f32,
    seen: Phase,
    /// Frames since the phase began.
    at: u64,
    /// Frames since a stop.
    falling: Option<u64>,
}

impl DeckPlayer {
    /// Fills interleaved frames.
    pub fn render(&mut self, out: &mut [f32]) {
        let phase = self.shared.phase();
        if phase != self.seen {
            self.seen = phase;
            self.at = 0;
            self.falling = None;
            if phase == Phase::Rolling {
                // In a pass the level stands still, from its first sample on.
                self.gain = self.shared.gain();
                self.shared.in_at_play.store(self.shared.in_frames.load(Ordering::Acquire), Ordering::Release);
            }
        }
        let sounding = matches!(phase, Phase::Loop | Phase::Lead | Phase::Rolling);
        if sounding && self.falling.is_none() && self.shared.stopped() {
            self.falling = Some(0);
        }
        let target = self.shared.gain();
        let mut limited = 0;
        for frame in out.chunks_exact_mut(self.outputs) {
            frame.fill(0.0);
            let value = if sounding { self.next(phase, target) } else { 0.0 };
            let held = value.clamp(-CEILING, CEILING);
            limited += u64::from(held.to_bits() != value.to_bits());
            if let Some(to) = frame.get_mut(self.reamp) {
                *to = held;
            }
        }
        if limited > 0 {
            self.shared.limited.fetch_add(limited, Ordering::AcqRel);
        }
        self.shared.out_frames.fetch_add((out.len() / self.outputs) as u64, Ordering::AcqRel);
        self.leave(phase);
    }

    fn next(&mut self, phase: Phase, target: f32) -> f32 {
        let Material { di, burst, timing } = &self.material;
        let at = self.at;
        self.at += 1;
        let of = |x: &[f32], from: u64| at.checked_sub(from).and_then(|n| x.get(n as usize)).copied().unwrap_or(0.0);
        let sample = match phase {
            Phase::Loop => di.get((at % (di.len() as u64).max(1)) as usize).copied().unwrap_or(0.0),
            Phase::Lead if at < timing.lead => of(di, 0) * (at as f32 / timing.lead.max(1) as f32),
            Phase::Rolling if at < self.material.before_di() => of(burst, timing.count_in),
            Phase::Rolling => of(di, self.material.before_di()),
            _ => 0.0,
        };
        if phase != Phase::Rolling {
            self.gain += (target - self.gain) * self.glide;
        }
        let fall = match &mut self.falling {
            None => 1.0,
            Some(n) => {
                *n += 1;
                1.0 - (*n as f32 / self.edge as f32).min(1.0)
            }
        };
        sample * self.gain * fall
    }

    /// Ends a phase that is over.
    fn leave(&self, phase: Phase) {
        let fallen = self.falling.is_some_and(|n| n >= self.edge);
        let lead = self.material.timing.lead + self.material.timing.gap;
        match phase {
            Phase::Loop | Phase::Lead if fallen => {
                self.shared.go(phase, Phase::Idle);
            }
            Phase::Lead if self.at >= lead && !self.shared.stopped() => {
                self.shared.go(Phase::Lead, Phase::Armed);
            }
            Phase::Rolling if fallen => {
                self.shared.go(Phase::Rolling, Phase::Done);
            }
            Phase::Armed if self.shared.stopped() => {
                self.shared.go(Phase::Armed, Phase::Idle);
            }
            _ => {}
        }
    }
}

/// Frames that are dealt out at a time.
const SCRATCH_FRAMES: usize = 1024;

/// Magnitude from which a sample counts as clipped: the last but one step of 16 bits.
const FULL: f32 = 0.999_95;

/// The input's half.
pub struct DeckTaker {
    shared: Arc<Shared>,
    inputs: usize,
    taken: Vec<usize>,
    total: u64,
    scratch: Vec<f32>,
    into: rtrb::Producer<f32>,
}

impl DeckTaker {
    /// Takes interleaved frames.
    pub fn take(&mut self, block: &[f32]) {
        let frames = (block.len() / self.inputs) as u64;
        if self.shared.phase() == Phase::Armed && !self.shared.stopped() {
            self.shared.in_start.store(self.shared.in_frames.load(Ordering::Acquire), Ordering::Release);
            self.shared.go(Phase::Armed, Phase::Rolling);
        }
        self.meter(block);
        if self.shared.phase() == Phase::Rolling {
            for part in block.chunks(SCRATCH_FRAMES * self.inputs) {
                self.keep(part);
            }
        }
        self.shared.in_frames.fetch_add(frames, Ordering::AcqRel);
    }

    fn meter(&self, block: &[f32]) {
        for ((input, peak), clips) in self.taken.iter().zip(&self.shared.peaks).zip(&self.shared.clips) {
            let (mut most, mut full) = (0.0f32, 0);
            for frame in block.chunks_exact(self.inputs) {
                let v = frame.get(*input).copied().unwrap_or(0.0).abs();
                most = most.max(v);
                full += u64::from(v >= FULL);
            }
            // Bits of positive floats are ordered as the floats are.
            peak.fetch_max(most.to_bits(), Ordering::AcqRel);
            if full > 0 {
                clips.fetch_add(full, Ordering::AcqRel);
            }
        }
    }

    fn keep(&mut self, part: &[f32]) {
        let recorded = self.shared.recorded.load(Ordering::Acquire);
        let left = usize::try_from(self.total.saturating_sub(recorded)).unwrap_or(usize::MAX);
        let frames = (part.len() / self.inputs).min(left);
        let width = self.taken.len();
        for (frame, to) in part.chunks_exact(self.inputs).take(frames).zip(self.scratch.chunks_exact_mut(width.max(1))) {
            for (to, input) in to.iter_mut().zip(&self.taken) {
                *to = frame.get(*input).copied().unwrap_or(0.0);
            }
        }
        if self.into.push_entire_slice(&self.scratch[..frames * width]).is_err() {
            self.shared.ring_full.store(true, Ordering::Release);
            self.shared.go(Phase::Rolling, Phase::Done);
            return;
        }
        self.shared.recorded.store(recorded + frames as u64, Ordering::Release);
        if recorded + frames as u64 >= self.total {
            self.shared.go(Phase::Rolling, Phase::Done);
        }
    }
}
