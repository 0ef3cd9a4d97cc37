//! What the audio threads run while the tool records: one half plays the DI, the other takes the inputs. Neither allocates, locks, logs, or
//! makes a system call.
//!
//! Time is counted in the callbacks' own frames. The input half begins a recording at the beginning of one of its callbacks; the output half
//! begins its programme in the next of its own and notes how many input frames there were by then: that places the recording.

pub use super::deck_state::{CEILING, InputMeter, Material, Phase, Shared, Timing};
use crate::units::SampleRate;
use std::sync::Arc;
use std::sync::atomic::Ordering;

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
    pub fn new(rate: SampleRate, channels: &Channels, material: &Material) -> Self {
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
