//! Output devices: the sound card through cpal, and one that keeps real time - or runs as fast as it can - without a sound card.

use crate::model::explain::{Explain, Fate};
use crate::units::SampleRate;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Fills interleaved stereo; runs on the device's own thread.
pub type Render = Box<dyn FnMut(&mut [f32]) + Send>;

/// A device that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DeviceError {
    /// There is no sound card, or none that works.
    #[error("there is no sound output on this machine that works{}", reason(detail))]
    NoDevice {
        /// What the system said, if anything.
        detail: String,
    },
    /// No device has that name.
    #[error("there is no output device {name:?}; there are: {}", known.join(", "))]
    NoSuchDevice {
        /// What was asked for.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// There is no input, or none that works.
    #[error("there is no sound input on this machine that works{}", reason(detail))]
    NoInput {
        /// What the system said, if anything.
        detail: String,
    },
    /// No device of that name records.
    #[error("there is no input device {name:?}; there are: {}", known.join(", "))]
    NoSuchInput {
        /// What was asked for.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// The device has too few channels.
    #[error("{device} has {offered} {side}, number {wanted} is needed")]
    Channels {
        /// The device.
        device: String,
        /// `inputs` or `outputs`.
        side: &'static str,
        /// The highest channel that is needed.
        wanted: u16,
        /// How many there are.
        offered: u16,
    },
    /// The device does not run at that rate.
    #[error("{device} does not run at {rate}")]
    Rate {
        /// The device.
        device: String,
        /// The rate that was asked for.
        rate: SampleRate,
        /// Rates that it runs at, nearest first.
        offered: Vec<SampleRate>,
    },
}

fn reason(detail: &str) -> String {
    if detail.is_empty() { String::new() } else { format!(" ({detail})") }
}

impl Explain for DeviceError {
    fn kind(&self) -> &'static str {
        match self {
            Self::NoDevice { .. } => "no-device",
            Self::NoSuchDevice { .. } => "no-such-device",
            Self::NoInput { .. } => "no-input",
            Self::NoSuchInput { .. } => "no-such-input",
            Self::Channels { .. } => "device-channels",
            Self::Rate { .. } => "device-rate",
        }
    }
    fn next(&self) -> String {
        match self {
            Self::NoDevice { .. } => "connect an interface, or try it without sound: --device silent",
            Self::NoSuchDevice { .. } | Self::NoSuchInput { .. } => "list them with: cabjury devices",
            Self::NoInput { .. } => "connect an interface, or see how it goes without one: --device simulated",
            Self::Channels { .. } => "choose another device, or other channels for the mics and the reamp box",
            Self::Rate { .. } => "choose another device, or set this one to the recordings' rate",
        }
        .to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Failed
    }
}

/// What can go wrong while a stream runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Trouble {
    /// The device is gone or stands still.
    Lost,
    /// The buffer ran empty so many times.
    UnderRuns(u64),
}

/// A running stream; dropping it stops the sound.
pub trait Running {
    /// What went wrong since the start, if anything did.
    fn trouble(&self) -> Option<Trouble>;
}

/// A place where sound goes.
pub trait OutputDevice {
    /// Its name.
    fn name(&self) -> String;

    /// Starts a stream of stereo at a rate.
    ///
    /// # Errors
    /// [`DeviceError`].
    fn start(&self, rate: SampleRate, render: Render) -> Result<Box<dyn Running>, DeviceError>;
}

/// How a device without a sound card runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// Keeps real time.
    RealTime,
    /// As fast as it can: for tests and the demo.
    Fastest,
}

/// A device without a sound card.
#[derive(Debug, Clone, Copy)]
pub struct Silent(pub Pace);

struct SilentStream {
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Running for SilentStream {
    fn trouble(&self) -> Option<Trouble> {
        None
    }
}

impl Drop for SilentStream {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A panic of the render function has been printed already.
            let _ = thread.join();
        }
    }
}

impl OutputDevice for Silent {
    fn name(&self) -> String {
        "silent".to_owned()
    }

    fn start(&self, rate: SampleRate, mut render: Render) -> Result<Box<dyn Running>, DeviceError> {
        let stop = Arc::new(AtomicBool::new(false));
        let (stopped, pace) = (Arc::clone(&stop), self.0);
        let frames = (rate.hz() / 100).max(1) as usize;
        let thread = std::thread::spawn(move || {
            let mut buffer = vec![0.0; 2 * frames];
            let began = Instant::now();
            let mut done: u64 = 0;
            while !stopped.load(Ordering::Acquire) {
                render(&mut buffer);
                done += frames as u64;
                match pace {
                    Pace::RealTime => {
                        let due = began + Duration::from_secs_f64(done as f64 / rate.as_f64());
                        std::thread::sleep(due.saturating_duration_since(Instant::now()));
                    }
                    Pace::Fastest => std::thread::yield_now(),
                }
            }
        });
        Ok(Box::new(SilentStream { stop, thread: Some(thread) }))
    }
}

/// A sound card.
pub struct Card {
    device: cpal::Device,
    name: String,
}

struct CardStream {
    _stream: cpal::Stream,
    lost: Arc<AtomicBool>,
    under_runs: Arc<AtomicU64>,
}

impl Running for CardStream {
    fn trouble(&self) -> Option<Trouble> {
        if self.lost.load(Ordering::Acquire) {
            return Some(Trouble::Lost);
        }
        match self.under_runs.load(Ordering::Acquire) {
            0 => None,
            n => Some(Trouble::UnderRuns(n)),
        }
    }
}

/// Keeps ALSA's own chatter off the screen while a closure runs on this thread.
pub(super) fn quietly<T>(work: impl FnOnce() -> T) -> T {
    #[cfg(target_os = "linux")]
    let _chatter = alsa::Output::local_error_handler();
    work()
}

/// The same for the rest of this thread: ALSA keeps its handler per thread, and a callback's thread is cpal's.
pub(super) fn quietly_here() {
    #[cfg(target_os = "linux")]
    drop(alsa::Output::local_error_handler());
}

/// Names of the output devices, the default one first.
#[must_use]
pub fn names() -> Vec<String> {
    listed(|host| host.default_output_device(), DeviceTrait::supports_output)
}

/// Names of the input devices, the default one first.
#[must_use]
pub fn input_names() -> Vec<String> {
    listed(|host| host.default_input_device(), DeviceTrait::supports_input)
}

fn listed(default: impl Fn(&cpal::Host) -> Option<cpal::Device>, fits: impl Fn(&cpal::Device) -> bool) -> Vec<String> {
    quietly(|| {
        let host = cpal::default_host();
        let default = default(&host).map(|d| d.to_string());
        let mut names: Vec<String> =
            host.devices().map(|all| all.filter(|d| fits(d)).map(|d| d.to_string()).collect()).unwrap_or_default();
        names.dedup();
        if let Some(default) = default.filter(|d| names.contains(d)) {
            names.retain(|n| *n != default);
            names.insert(0, default);
        }
        names
    })
}

impl Card {
    /// The default device, or the one of that name.
    ///
    /// # Errors
    /// [`DeviceError::NoDevice`], [`DeviceError::NoSuchDevice`].
    pub fn open(name: Option<&str>) -> Result<Self, DeviceError> {
        quietly(|| {
            let host = cpal::default_host();
            let device = match name {
                None => host.default_output_device().ok_or(DeviceError::NoDevice { detail: String::new() })?,
                Some(wanted) => host
                    .devices()
                    .ok()
                    .and_then(|mut all| all.find(|d| d.to_string() == wanted))
                    .ok_or_else(|| DeviceError::NoSuchDevice { name: wanted.to_owned(), known: names() })?,
            };
            let name = device.to_string();
            Ok(Self { device, name })
        })
    }

    fn config(&self, rate: SampleRate) -> Result<cpal::StreamConfig, DeviceError> {
        let broken = |e: &dyn std::fmt::Display| DeviceError::NoDevice { detail: e.to_string() };
        let offered: Vec<_> = self.device.supported_output_configs().map_err(|e| broken(&e))?.collect();
        if offered.is_empty() {
            return Err(DeviceError::NoDevice { detail: format!("{} offers nothing", self.name) });
        }
        let fits = |c: &&cpal::SupportedStreamConfigRange| (c.min_sample_rate()..=c.max_sample_rate()).contains(&rate.hz());
        // Two channels if there is a choice, else the fewest above, else mono.
        let rank = |c: &&cpal::SupportedStreamConfigRange| match c.channels() {
            2 => 0,
            1 => 1000,
            n => n,
        };
        match offered.iter().filter(fits).min_by_key(rank) {
            Some(c) => {
                Ok(cpal::StreamConfig { channels: c.channels(), sample_rate: rate.hz(), buffer_size: cpal::BufferSize::Default })
            }
            None => {
                let mut rates: Vec<SampleRate> = offered
                    .iter()
                    .flat_map(|c| [c.min_sample_rate(), c.max_sample_rate(), 44_100, 48_000, 96_000].map(|r| (r, c)))
                    .filter(|(r, c)| (c.min_sample_rate()..=c.max_sample_rate()).contains(r))
                    .filter_map(|(r, _)| SampleRate::new(r).ok())
                    .collect();
                rates.sort_by_key(|r| r.hz().abs_diff(rate.hz()));
                rates.dedup();
                Err(DeviceError::Rate { device: self.name.clone(), rate, offered: rates })
            }
        }
    }
}

/// Stereo frames that are rendered at a time when the device's buffer is larger.
const SCRATCH_FRAMES: usize = 1024;

impl OutputDevice for Card {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn start(&self, rate: SampleRate, mut render: Render) -> Result<Box<dyn Running>, DeviceError> {
        quietly(|| {
            let config = self.config(rate)?;
            let channels = usize::from(config.channels);
            let (lost, under_runs) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
            let mut scratch = vec![0.0f32; 2 * SCRATCH_FRAMES];
            let mut first = true;
            // f32 is asked for; cpal's backends convert where the card needs integers, and buffers may come in any length.
            let data = move |out: &mut [f32], _: &cpal::OutputCallbackInfo| {
                if std::mem::take(&mut first) {
                    quietly_here();
                }
                for block in out.chunks_mut(SCRATCH_FRAMES * channels) {
                    let frames = block.len() / channels;
                    let stereo = &mut scratch[..2 * frames];
                    render(stereo);
                    for (to, from) in block.chunks_exact_mut(channels).zip(stereo.chunks_exact(2)) {
                        match to {
                            [one] => *one = 0.5 * (from[0] + from[1]),
                            [left, right, rest @ ..] => {
                                *left = from[0];
                                *right = from[1];
                                rest.fill(0.0);
                            }
                            [] => {}
                        }
                    }
                }
            };
            let (gone, ran_dry) = (Arc::clone(&lost), Arc::clone(&under_runs));
            let errors = move |error: cpal::Error| match error.kind() {
                cpal::ErrorKind::Xrun => {
                    ran_dry.fetch_add(1, Ordering::AcqRel);
                }
                cpal::ErrorKind::RealtimeDenied => {}
                _ => gone.store(true, Ordering::Release),
            };
            let failed = |e: cpal::Error| DeviceError::NoDevice { detail: e.to_string() };
            let stream = self.device.build_output_stream(config, data, errors, Some(Duration::from_secs(2))).map_err(failed)?;
            stream.play().map_err(failed)?;
            Ok(Box::new(CardStream { _stream: stream, lost, under_runs }) as Box<dyn Running>)
        })
    }
}
