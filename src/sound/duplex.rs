//! Playing and recording at once: what a device has to offer for it, and what can go wrong while it runs.

use super::device::{DeviceError, Render};
use crate::units::SampleRate;

/// Takes interleaved frames of all inputs; runs on the device's own thread.
pub type Capture = Box<dyn FnMut(&[f32]) + Send>;

/// How a device is to run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DuplexConfig {
    /// Frames per second, of both directions.
    pub rate: SampleRate,
    /// Channels that are played, at least.
    pub outputs: u16,
    /// Channels that are recorded, at least.
    pub inputs: u16,
    /// Frames of a buffer; `None`: the device's own choice.
    pub buffer: Option<u32>,
}

/// How a running device has fared since its start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Health {
    /// It is gone.
    pub lost: bool,
    /// The output ran dry so many times.
    pub under_runs: u64,
    /// The input ran over so many times.
    pub over_runs: u64,
}

/// What a device may want to know of a pass before it begins: the simulated one rewires itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Coming {
    /// The pass of the run sheet.
    pub pass: u32,
    /// How many times it has been begun, from 1.
    pub attempt: u32,
    /// The setup.
    pub setup: String,
}

/// A device that plays and records; dropping it stops the sound.
pub trait DuplexRunning {
    /// How it has fared.
    fn health(&self) -> Health;

    /// Told before each pass.
    fn announce(&mut self, _coming: &Coming) {}

    /// A device that runs only when it is asked to does a stretch now and says true; others run by themselves.
    fn advance(&mut self) -> bool {
        false
    }
}

/// A device, or a pair of them, that plays and records.
pub trait DuplexDevice {
    /// Its name, or both.
    fn name(&self) -> String;

    /// What stands in every take's notes when nothing real was recorded.
    fn simulated(&self) -> Option<String> {
        None
    }

    /// Starts it. Both closures get interleaved frames of exactly the channels that were asked for.
    ///
    /// # Errors
    /// [`DeviceError`].
    fn start(&self, config: &DuplexConfig, play: Render, capture: Capture) -> Result<Box<dyn DuplexRunning>, DeviceError>;
}
