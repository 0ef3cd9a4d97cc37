//! One sitting at a device: levels are set, passes are played and recorded, a writer thread brings them to the disk.

pub use super::clocks::ClockDrift;
use super::clocks::Clocks;
use super::deck::{Channels, Deck, InputMeter, Material, Phase, Shared};
use super::device::DeviceError;
use super::duplex::{Coming, DuplexConfig, DuplexDevice, DuplexRunning, Health};
use super::error::SoundError;
use super::tape::{SampleForm, Tape};
use super::write::give_name;
use crate::units::SampleRate;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

fn times(n: u64) -> String {
    if n == 1 { "once".to_owned() } else { format!("{n} times") }
}

/// Why a pass does not count.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Void {
    /// It was stopped by hand.
    #[error("it was stopped")]
    Stopped,
    /// The output ran dry.
    #[error("the output ran dry {} (under-runs): what was played had gaps", times(*.0))]
    UnderRun(u64),
    /// The input ran over.
    #[error("the input ran over {} (over-runs): what was recorded has gaps", times(*.0))]
    OverRun(u64),
    /// The disk did not keep up.
    #[error("the disk did not keep up with the recording")]
    Behind,
    /// The device is gone.
    #[error("the sound device was lost")]
    Lost,
    /// The recording could not be written.
    #[error("{0}")]
    Disk(String),
    /// The limiter held the DI down.
    #[error("the output's limiter held {0} samples of the DI down")]
    Limited(u64),
}

impl Void {
    /// What to do.
    #[must_use]
    pub fn next(&self) -> &'static str {
        match self {
            Self::Stopped => "play it again when you are ready",
            Self::UnderRun(_) | Self::OverRun(_) => "raise the buffer of the device, close other programs, and play it again",
            Self::Behind => "record to a faster disk, or close what else uses it, and play it again",
            Self::Lost => "connect the device again, then play the pass again",
            Self::Disk(_) => "make room on the disk, then play the pass again",
            Self::Limited(_) => "lower the output level, then play it again",
        }
    }
}

/// A pass that was recorded from its beginning to its end.
#[derive(Debug, Clone, PartialEq)]
pub struct Passed {
    /// One file per recorded input, on the disk.
    pub files: Vec<PathBuf>,
    /// Frame of the files at which the DI's first frame was handed to the device, by the callbacks' counts.
    pub di_at: i64,
}

/// What a sitting needs.
#[derive(Debug, Clone)]
pub struct Layout {
    /// Frames per second.
    pub rate: SampleRate,
    /// Channels.
    pub channels: Channels,
    /// What is played.
    pub material: Material,
    /// How samples are kept.
    pub form: SampleForm,
    /// Frames of the device's buffer.
    pub buffer: Option<u32>,
}

type Written = (rtrb::Consumer<f32>, Result<Vec<PathBuf>, SoundError>);

enum Writer {
    Free(rtrb::Consumer<f32>),
    Busy(JoinHandle<Written>, Vec<PathBuf>),
    /// The thread broke down: nothing can be recorded any more.
    Gone,
}

/// A device at work.
pub struct Recorder {
    shared: Arc<Shared>,
    running: Box<dyn DuplexRunning>,
    writer: Writer,
    layout: Layout,
    /// How the device had fared when the pass began.
    before: Health,
    clocks: Clocks,
    moved: (u64, u64, Instant),
    stepped: bool,
    spoiled: Option<Void>,
}

/// The audio threads have to move at least this often.
const STALL: Duration = Duration::from_secs(3);

/// The name of a file that is not complete.
#[must_use]
pub fn unfinished(path: &Path) -> PathBuf {
    path.with_extension("unfinished.wav")
}

impl Recorder {
    /// Starts the device, silent.
    ///
    /// # Errors
    /// [`DeviceError`].
    pub fn start(device: &dyn DuplexDevice, layout: Layout) -> Result<Self, DeviceError> {
        let Channels { outputs, inputs, .. } = layout.channels;
        let narrow = |n: usize| u16::try_from(n).unwrap_or(u16::MAX);
        let config = DuplexConfig { rate: layout.rate, outputs: narrow(outputs), inputs: narrow(inputs), buffer: layout.buffer };
        let Deck { mut player, mut taker, shared, ring } = Deck::new(layout.rate, &layout.channels, &layout.material);
        let play = Box::new(move |out: &mut [f32]| player.render(out));
        let running = device.start(&config, play, Box::new(move |block: &[f32]| taker.take(block)))?;
        Ok(Self {
            shared,
            before: running.health(),
            running,
            writer: Writer::Free(ring),
            layout,
            clocks: Clocks::default(),
            moved: (0, 0, Instant::now()),
            stepped: false,
            spoiled: None,
        })
    }

    /// Sets the output level in dB of full scale, 0 at most.
    pub fn set_level(&self, db: f64) {
        self.shared.set_gain(10f64.powf(db.min(0.0) / 20.0) as f32);
    }

    /// Tells the device of a pass to come.
    pub fn announce(&mut self, coming: &Coming) {
        self.running.announce(coming);
    }

    /// Plays the DI again and again, or stops it.
    pub fn loop_di(&mut self, on: bool) {
        if on {
            self.shared.loop_di();
        } else {
            self.shared.stop();
        }
    }

    /// Stops whatever sounds.
    pub fn stop(&self) {
        self.shared.stop();
    }

    /// Where the deck is.
    #[must_use]
    pub fn phase(&self) -> Phase {
        self.shared.phase()
    }

    /// Meters of the recorded inputs since the last call.
    #[must_use]
    pub fn meters(&self) -> Vec<InputMeter> {
        self.shared.meters()
    }

    /// Seconds of sound that went by since the start, by the input's own count.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.shared.frames().1 as f64 / self.layout.rate.as_f64()
    }

    /// Seconds of the pass that are recorded, and of the whole.
    #[must_use]
    pub fn progress(&self) -> (f64, f64) {
        let rate = self.layout.rate.as_f64();
        (self.shared.progress().0 as f64 / rate, self.layout.material.frames() as f64 / rate)
    }

    /// How the two clocks compare, once enough has been seen.
    #[must_use]
    pub fn drift(&self) -> Option<ClockDrift> {
        self.clocks.drift()
    }

    /// Begins a pass into these files, one per recorded input; with `lead` after the faded beginning of the DI.
    ///
    /// # Errors
    /// [`SoundError`]: a file of that name is there, or cannot be written.
    pub fn roll(&mut self, files: &[PathBuf], coming: &Coming, lead: bool) -> Result<(), SoundError> {
        let busy = || SoundError::CannotWrite { path: PathBuf::new(), reason: "the recorder is still at work".to_owned() };
        // A stop takes the deck as long as its callbacks are apart: with a sound server half a second or more.
        self.settle();
        if self.shared.phase() == Phase::Done {
            self.shared.go(Phase::Done, Phase::Idle);
        }
        let (rate, form) = (self.layout.rate, self.layout.form);
        let mut tapes: Vec<Tape> = Vec::new();
        for file in files {
            if fs::symlink_metadata(file).is_ok() {
                return Err(SoundError::Exists { path: file.clone() });
            }
            match Tape::create(&unfinished(file), rate, form) {
                Ok(tape) => tapes.push(tape),
                Err(error) => {
                    // Only those that were just made, and hold nothing.
                    files.iter().take(tapes.len()).for_each(|f| drop(fs::remove_file(unfinished(f))));
                    return Err(error);
                }
            }
        }
        let Writer::Free(ring) = std::mem::replace(&mut self.writer, Writer::Gone) else { return Err(busy()) };
        self.running.announce(coming);
        self.before = self.running.health();
        self.spoiled = None;
        if !self.shared.roll(lead) {
            self.writer = Writer::Free(ring);
            files.iter().for_each(|f| drop(fs::remove_file(unfinished(f))));
            return Err(busy());
        }
        let shared = Arc::clone(&self.shared);
        let thread = std::thread::spawn(move || write(ring, tapes, &shared));
        self.writer = Writer::Busy(thread, files.to_vec());
        Ok(())
    }

    fn settle(&mut self) {
        let since = Instant::now();
        while matches!(self.shared.phase(), Phase::Loop | Phase::Lead | Phase::Armed) && since.elapsed() < STALL {
            self.shared.stop();
            if !self.running.advance() {
                std::thread::sleep(Duration::from_millis(1));
            }
        }
    }

    /// Looks after the device; to be called often. What became of the pass, once it is over.
    pub fn tick(&mut self) -> Option<Result<Passed, Void>> {
        let (recorded, written) = self.shared.progress();
        // A device that is stepped waits for the disk, as a real one cannot.
        if recorded.saturating_sub(written) < self.layout.rate.hz().into() {
            self.stepped = self.running.advance();
        } else {
            std::thread::sleep(Duration::from_millis(1));
        }
        if self.spoiled.is_none() {
            self.spoiled = self.mishap();
            if self.spoiled.is_some() {
                self.shared.stop();
            }
        }
        if self.spoiled == Some(Void::Lost) {
            // Nobody calls the callbacks any more: they cannot end the pass themselves.
            for phase in [Phase::Loop, Phase::Lead, Phase::Armed] {
                self.shared.go(phase, Phase::Idle);
            }
            self.shared.go(Phase::Rolling, Phase::Done);
        }
        self.clocks.see(self.shared.frames());
        match &self.writer {
            Writer::Busy(thread, _) if thread.is_finished() => Some(self.over()),
            _ => None,
        }
    }

    /// True when the device has gone.
    #[must_use]
    pub fn lost(&self) -> bool {
        self.running.health().lost || self.spoiled == Some(Void::Lost)
    }

    fn mishap(&mut self) -> Option<Void> {
        let health = self.running.health();
        let frames = self.shared.frames();
        if (frames.0, frames.1) != (self.moved.0, self.moved.1) {
            self.moved = (frames.0, frames.1, Instant::now());
        }
        if health.lost || (!self.stepped && self.moved.2.elapsed() > STALL) {
            return Some(Void::Lost);
        }
        if !matches!(self.writer, Writer::Busy(..)) {
            return None;
        }
        if health.under_runs > self.before.under_runs {
            return Some(Void::UnderRun(health.under_runs - self.before.under_runs));
        }
        if health.over_runs > self.before.over_runs {
            return Some(Void::OverRun(health.over_runs - self.before.over_runs));
        }
        self.shared.ring_full().then_some(Void::Behind)
    }

    /// The writer has ended: what became of the pass.
    fn over(&mut self) -> Result<Passed, Void> {
        let Writer::Busy(thread, files) = std::mem::replace(&mut self.writer, Writer::Gone) else { return Err(Void::Stopped) };
        let Ok((ring, written)) = thread.join() else {
            return Err(Void::Disk("the writer broke down; start the program again".to_owned()));
        };
        self.writer = Writer::Free(ring);
        // What went wrong in the pass's last moments counts too.
        let spoiled = self.spoiled.take().or_else(|| self.mishap());
        let stopped = self.shared.stopped();
        let limited = self.shared.limited();
        let placed = self.shared.placed();
        self.shared.go(Phase::Done, Phase::Idle);
        let parts = match (written, spoiled) {
            (Err(error), _) => return Err(Void::Disk(error.to_string())),
            (Ok(_), Some(void)) => return Err(void),
            (Ok(parts), None) if stopped => {
                // Nothing half is left of a pass that was stopped by hand.
                parts.iter().for_each(|p| drop(fs::remove_file(p)));
                return Err(Void::Stopped);
            }
            (Ok(_), None) if limited > 0 => return Err(Void::Limited(limited)),
            (Ok(parts), None) => parts,
        };
        for (part, file) in parts.iter().zip(&files) {
            give_name(part, file).map_err(|e| Void::Disk(e.to_string()))?;
        }
        let before = i64::try_from(self.layout.material.before_di()).unwrap_or(i64::MAX);
        Ok(Passed { files, di_at: placed.saturating_add(before) })
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        self.shared.stop();
        self.settle();
        self.shared.go(Phase::Rolling, Phase::Done);
        if let Writer::Busy(thread, _) = std::mem::replace(&mut self.writer, Writer::Gone)
            && let Ok((_, Ok(parts))) = thread.join()
        {
            // Left in mid-pass by hand: like a stop.
            parts.iter().for_each(|p| drop(fs::remove_file(p)));
        }
    }
}

/// Frames that are written at a time.
const WRITE_FRAMES: usize = 4096;

/// The writer's thread: from the ring to the disk, until the pass is over and the ring is empty.
fn write(mut ring: rtrb::Consumer<f32>, mut tapes: Vec<Tape>, shared: &Shared) -> Written {
    let width = tapes.len().max(1);
    let mut buffer = vec![0.0; WRITE_FRAMES * width];
    let mut failed = None;
    loop {
        // Looked at before the ring is: what came until then is in it.
        let over = !matches!(shared.phase(), Phase::Lead | Phase::Armed | Phase::Rolling);
        let frames = (ring.slots() / width).min(WRITE_FRAMES);
        let part = &mut buffer[..frames * width];
        if frames > 0 && ring.pop_entire_slice(part).is_ok() {
            for (i, tape) in tapes.iter_mut().enumerate() {
                if failed.is_none()
                    && let Err(error) = tape.write(part.iter().skip(i).step_by(width).copied())
                {
                    failed = Some(error);
                    shared.stop();
                }
            }
            shared.wrote(frames as u64);
        } else if over {
            break;
        } else {
            std::thread::sleep(Duration::from_millis(3));
        }
    }
    let result = match failed {
        Some(error) => Err(error),
        None => tapes.into_iter().map(Tape::finish).collect(),
    };
    (ring, result)
}
