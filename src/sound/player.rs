//! The blind player: clips loaded and converted before the stream starts, one path for all of them.

use super::device::{DeviceError, OutputDevice, Running, Trouble};
use super::engine::{Engine, Shared, Sounded};
use super::resample::resample;
use crate::model::audio::Audio;
use crate::units::SampleRate;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The audio thread has to move at least this often.
const STALL: Duration = Duration::from_secs(3);

/// A running player.
pub struct Player {
    shared: Arc<Shared>,
    ended: rtrb::Consumer<Sounded>,
    running: Box<dyn Running>,
    device: String,
    rate: SampleRate,
    resampled: bool,
    seen: std::cell::Cell<(u64, Instant)>,
}

/// Interleaved stereo: mono goes to both sides, more than two channels keep the first two.
fn stereo(audio: &Audio) -> Vec<f32> {
    let channels = audio.channels();
    let (left, right) = (&channels[0], channels.get(1).unwrap_or(&channels[0]));
    left.iter().zip(right).flat_map(|(l, r)| [*l, *r]).collect()
}

impl Player {
    /// Starts a device with these clips, all of one rate and length; `table` gives the rising half of the fade for a rate.
    ///
    /// # Errors
    /// [`DeviceError`].
    pub fn start(
        device: &dyn OutputDevice,
        clips: &[Audio],
        table: &dyn Fn(SampleRate) -> Vec<f32>,
    ) -> Result<Self, DeviceError> {
        let Some(wanted) = clips.first().map(Audio::rate) else {
            return Err(DeviceError::NoDevice { detail: "there is nothing to play".to_owned() });
        };
        match Self::start_at(device, clips, table, wanted, false) {
            Err(DeviceError::Rate { offered, device: name, rate }) => {
                let Some(nearest) = offered.first().copied() else {
                    return Err(DeviceError::Rate { offered, device: name, rate });
                };
                let other: Option<Vec<Audio>> = clips.iter().map(|c| resample(c, nearest)).collect();
                match other {
                    Some(other) => Self::start_at(device, &other, table, nearest, true),
                    None => Err(DeviceError::Rate { offered, device: name, rate }),
                }
            }
            started => started,
        }
    }

    fn start_at(
        device: &dyn OutputDevice,
        clips: &[Audio],
        table: &dyn Fn(SampleRate) -> Vec<f32>,
        rate: SampleRate,
        resampled: bool,
    ) -> Result<Self, DeviceError> {
        let (mut engine, shared, ended) = Engine::new(clips.iter().map(stereo).collect(), table(rate));
        let running = device.start(rate, Box::new(move |out| engine.render(out)))?;
        let seen = std::cell::Cell::new((0, Instant::now()));
        Ok(Self { shared, ended, running, device: device.name(), rate, resampled, seen })
    }

    /// Asks for a clip by its place; `None` for silence. Returns the request's number.
    pub fn ask(&self, clip: Option<usize>) -> u64 {
        self.shared.ask(clip)
    }

    /// Loops a part of the clips from the next switch on, in frames; `None`: all of them.
    pub fn loop_part(&self, part: Option<(u32, u32)>) {
        self.shared.loop_part(part);
    }

    /// Frame at which the loop stands, whatever sounds.
    #[must_use]
    pub fn position(&self) -> u64 {
        self.shared.position()
    }

    /// The request that sounds now, and for how many frames.
    #[must_use]
    pub fn now(&self) -> Option<(u64, u64)> {
        self.shared.now()
    }

    /// Requests that ended since the last call, with the frames that they sounded.
    pub fn ended(&mut self) -> Vec<Sounded> {
        let mut out = Vec::new();
        while let Ok(one) = self.ended.pop() {
            out.push(one);
        }
        out
    }

    /// What went wrong, if anything did; a device that stands still counts as lost.
    #[must_use]
    pub fn trouble(&self) -> Option<Trouble> {
        let rendered = self.shared.rendered();
        let (seen, since) = self.seen.get();
        if rendered != seen {
            self.seen.set((rendered, Instant::now()));
        } else if since.elapsed() > STALL {
            return Some(Trouble::Lost);
        }
        self.running.trouble()
    }

    /// Frames per second at which the device runs.
    #[must_use]
    pub fn rate(&self) -> SampleRate {
        self.rate
    }

    /// Device, rate, and whether the clips were resampled for it: what is written down with every trial.
    #[must_use]
    pub fn describe(&self) -> String {
        let how = if self.resampled { ", all clips resampled alike" } else { "" };
        format!("{} at {}{how}", self.device, self.rate)
    }
}
