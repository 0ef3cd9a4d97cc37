//! The blind player's engine: what the audio thread runs. It never allocates, locks, logs, or makes a system call.
//!
//! One path for all slots. Every switch - also a slot to itself, also from silence - is the same: fade out, the same number of silent frames,
//! fade in at the running position. No crossfade: two wirings would comb during it, and the crossfade itself would tell. All lengths are
//! constants, independent of what sounds. The loop's seam is faded alike for all.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Frames of silence between fade-out and fade-in, as a share of the fade: as long as the fade itself.
pub const GAP_PER_FADE: usize = 1;

/// What the player and the audio thread share.
#[derive(Debug, Default)]
pub struct Shared {
    /// Sequence number << 8 | slot + 1; slot part 0: stop.
    wanted: AtomicU64,
    /// Sequence number of the request that sounds now, 0 when nothing does.
    sounding: AtomicU64,
    /// Frames that the current request has sounded.
    sounded: AtomicU64,
    /// Frames rendered since the start: the audio thread is alive while this grows.
    rendered: AtomicU64,
    /// Part of the clips that is looped: first frame << 32 | frame after the last; 0: all of it.
    part: AtomicU64,
    /// Frame at which the loop stands.
    position: AtomicU64,
}

impl Shared {
    /// Asks for a slot (`None`: silence). Returns the request's number.
    pub fn ask(&self, slot: Option<usize>) -> u64 {
        let number = (self.wanted.load(Ordering::Relaxed) >> 8) + 1;
        let slot = slot.map_or(0, |s| s as u64 + 1) & 0xFF;
        self.wanted.store(number << 8 | slot, Ordering::Release);
        number
    }

    /// Loops a part of the clips, from a frame up to another; `None`: all of them. It begins with the next switch, in the silence, so that it
    /// is the same for every slot.
    pub fn loop_part(&self, part: Option<(u32, u32)>) {
        let packed = part.map_or(0, |(from, to)| u64::from(from) << 32 | u64::from(to));
        self.part.store(packed, Ordering::Release);
    }

    /// Frame at which the loop stands: the same whatever sounds.
    #[must_use]
    pub fn position(&self) -> u64 {
        self.position.load(Ordering::Acquire)
    }

    /// The request that sounds now and for how many frames it has; `None` when nothing does.
    #[must_use]
    pub fn now(&self) -> Option<(u64, u64)> {
        match self.sounding.load(Ordering::Acquire) {
            0 => None,
            number => Some((number, self.sounded.load(Ordering::Relaxed))),
        }
    }

    /// Frames rendered since the start.
    #[must_use]
    pub fn rendered(&self) -> u64 {
        self.rendered.load(Ordering::Acquire)
    }
}

/// How a request ended: its number and the frames that it sounded.
pub type Sounded = (u64, u64);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Silent,
    Out(usize),
    Gap(usize),
    In(usize),
    On,
}

/// The engine. Slots are interleaved stereo, all of one length.
pub struct Engine {
    slots: Arc<Vec<Vec<f32>>>,
    shared: Arc<Shared>,
    ended: rtrb::Producer<Sounded>,
    table: Vec<f32>,
    frames: usize,
    phase: Phase,
    /// Slot that sounds, with its request's number.
    current: Option<(usize, u64)>,
    /// Slot that comes after the gap.
    next: Option<(usize, u64)>,
    seen: u64,
    position: usize,
    /// The part that is looped, from a frame up to another.
    part: (usize, usize),
    sounded: u64,
}

impl Engine {
    /// Slots of interleaved stereo, all of one length; `table` is the rising half of the fade.
    ///
    /// Returns the engine, what it shares with the player, and the ring in which ended requests come back.
    #[must_use]
    pub fn new(slots: Vec<Vec<f32>>, table: Vec<f32>) -> (Self, Arc<Shared>, rtrb::Consumer<Sounded>) {
        let shared = Arc::new(Shared::default());
        let (ended, back) = rtrb::RingBuffer::new(4096);
        let frames = slots.iter().map(Vec::len).min().unwrap_or(0) / 2;
        let engine = Self {
            slots: Arc::new(slots),
            shared: Arc::clone(&shared),
            ended,
            table,
            frames,
            phase: Phase::Silent,
            current: None,
            next: None,
            seen: 0,
            position: 0,
            part: (0, frames),
            sounded: 0,
        };
        (engine, shared, back)
    }

    /// Fills interleaved stereo. Called on the audio thread.
    pub fn render(&mut self, out: &mut [f32]) {
        self.listen();
        for frame in out.chunks_exact_mut(2) {
            let [left, right] = self.frame();
            frame[0] = left;
            frame[1] = right;
        }
        let sounding = matches!(self.phase, Phase::In(_) | Phase::On | Phase::Out(_));
        let number = self.current.filter(|_| sounding).map_or(0, |(_, n)| n);
        self.shared.sounded.store(self.sounded, Ordering::Relaxed);
        self.shared.position.store(self.position as u64, Ordering::Release);
        self.shared.sounding.store(number, Ordering::Release);
        self.shared.rendered.fetch_add(out.len() as u64 / 2, Ordering::AcqRel);
    }

    fn listen(&mut self) {
        let wanted = self.shared.wanted.load(Ordering::Acquire);
        let (number, slot) = (wanted >> 8, (wanted & 0xFF) as usize);
        if number == self.seen {
            return;
        }
        self.seen = number;
        self.next = (1..=self.slots.len()).contains(&slot).then(|| (slot - 1, number));
        // From where the fade stands: a switch during a fade-in turns round without a step.
        self.phase = match self.phase {
            Phase::Silent => Phase::Out(0),
            Phase::In(k) => Phase::Out(self.table.len().saturating_sub(k)),
            Phase::On => Phase::Out(0),
            same => same,
        };
    }

    /// In the silence of a switch the loop may become another part; one that is too short for its own fades is passed over.
    fn take_part(&mut self) {
        let packed = self.shared.part.load(Ordering::Acquire);
        let (from, to) = ((packed >> 32) as usize, (packed & 0xFFFF_FFFF) as usize);
        let fits = to <= self.frames && from + 4 * self.table.len() <= to;
        self.part = if packed != 0 && fits { (from, to) } else { (0, self.frames) };
        if !(self.part.0..self.part.1).contains(&self.position) {
            self.position = self.part.0;
        }
    }

    fn end_current(&mut self) {
        if let Some((_, number)) = self.current.take() {
            // A full ring only loses statistics, never sound.
            let _ = self.ended.push((number, self.sounded));
        }
        self.sounded = 0;
    }

    fn frame(&mut self) -> [f32; 2] {
        let n = self.table.len();
        if let Phase::Out(k) = self.phase
            && k >= n
        {
            self.end_current();
            self.phase = Phase::Gap(0);
        }
        if let Phase::Gap(k) = self.phase
            && k >= n * GAP_PER_FADE
        {
            self.current = self.next.take();
            self.take_part();
            self.phase = if self.current.is_some() { Phase::In(0) } else { Phase::Silent };
        }
        if let Phase::In(k) = self.phase
            && k >= n
        {
            self.phase = Phase::On;
        }
        let gain = match self.phase {
            Phase::Silent => return [0.0; 2],
            Phase::Out(k) => {
                self.phase = Phase::Out(k + 1);
                self.table[n - 1 - k]
            }
            Phase::Gap(k) => {
                self.phase = Phase::Gap(k + 1);
                0.0
            }
            Phase::In(k) => {
                self.phase = Phase::In(k + 1);
                self.table[k]
            }
            Phase::On => 1.0,
        };
        let at = self.position;
        let (from, to) = self.part;
        self.position = if at + 1 >= to { from } else { at + 1 };
        let Some((slot, _)) = self.current else { return [0.0; 2] };
        self.sounded += 1;
        let edge = at.saturating_sub(from).min((to - 1).saturating_sub(at));
        let gain = if edge < n { gain * self.table[edge] } else { gain };
        let samples = &self.slots[slot];
        [samples[2 * at] * gain, samples[2 * at + 1] * gain]
    }
}
