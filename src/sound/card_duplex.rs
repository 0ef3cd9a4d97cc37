//! Sound cards that play and record at once: a stream in each direction, of one device or of two.

use super::device::{DeviceError, Render, input_names, names, quietly, quietly_here};
use super::duplex::{Capture, DuplexConfig, DuplexDevice, DuplexRunning, Health};
use crate::units::SampleRate;
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// An output device and an input device; mostly the same interface.
pub struct CardPair {
    output: cpal::Device,
    input: cpal::Device,
    name: String,
}

#[derive(Debug, Default)]
struct Watch {
    lost: AtomicBool,
    under_runs: AtomicU64,
    over_runs: AtomicU64,
}

struct CardPairRunning {
    _output: cpal::Stream,
    _input: cpal::Stream,
    watch: Arc<Watch>,
}

impl DuplexRunning for CardPairRunning {
    fn health(&self) -> Health {
        Health {
            lost: self.watch.lost.load(Ordering::Acquire),
            under_runs: self.watch.under_runs.load(Ordering::Acquire),
            over_runs: self.watch.over_runs.load(Ordering::Acquire),
        }
    }
}

impl CardPair {
    /// The default devices, or those of these names.
    ///
    /// # Errors
    /// [`DeviceError`].
    pub fn open(output: Option<&str>, input: Option<&str>) -> Result<Self, DeviceError> {
        quietly(|| {
            let host = cpal::default_host();
            let named = |wanted: &str| host.devices().ok().and_then(|mut all| all.find(|d| d.to_string() == wanted));
            let output = match output {
                None => host.default_output_device().ok_or(DeviceError::NoDevice { detail: String::new() })?,
                Some(name) => named(name).ok_or_else(|| DeviceError::NoSuchDevice { name: name.to_owned(), known: names() })?,
            };
            let input = match input {
                None => host.default_input_device().ok_or(DeviceError::NoInput { detail: String::new() })?,
                Some(name) => {
                    named(name).ok_or_else(|| DeviceError::NoSuchInput { name: name.to_owned(), known: input_names() })?
                }
            };
            let (out, taken) = (output.to_string(), input.to_string());
            let name = if out == taken { out } else { format!("{out} and {taken}") };
            Ok(Self { output, input, name })
        })
    }
}

/// The narrowest way of running a device with so many channels at a rate.
fn config(
    device: &cpal::Device,
    offered: &[cpal::SupportedStreamConfigRange],
    side: &'static str,
    channels: u16,
    wanted: &DuplexConfig,
) -> Result<cpal::StreamConfig, DeviceError> {
    let rate = wanted.rate;
    let most = offered.iter().map(cpal::SupportedStreamConfigRange::channels).max().unwrap_or(0);
    if most < channels {
        return Err(DeviceError::Channels { device: device.to_string(), side, wanted: channels, offered: most });
    }
    // A sound server that is asked for one channel of two would mix them.
    let least = channels.max(most.min(2));
    let fits = |c: &&cpal::SupportedStreamConfigRange| (c.min_sample_rate()..=c.max_sample_rate()).contains(&rate.hz());
    let narrow = offered.iter().filter(fits).map(cpal::SupportedStreamConfigRange::channels).filter(|c| *c >= least).min();
    let Some(channels) = narrow else {
        let mut rates: Vec<SampleRate> = offered
            .iter()
            .flat_map(|c| [c.min_sample_rate(), c.max_sample_rate()])
            .filter_map(|r| SampleRate::new(r).ok())
            .collect();
        rates.sort_by_key(|r| r.hz().abs_diff(rate.hz()));
        rates.dedup();
        return Err(DeviceError::Rate { device: device.to_string(), rate, offered: rates });
    };
    let buffer_size = wanted.buffer.map_or(cpal::BufferSize::Default, cpal::BufferSize::Fixed);
    Ok(cpal::StreamConfig { channels, sample_rate: rate.hz(), buffer_size })
}

/// Frames that are dealt out at a time when the device's buffer is longer.
const SCRATCH_FRAMES: usize = 1024;

fn output_stream(
    device: &cpal::Device,
    wanted: &DuplexConfig,
    mut play: Render,
    watch: &Arc<Watch>,
) -> Result<cpal::Stream, DeviceError> {
    let failed = |e: cpal::Error| DeviceError::NoDevice { detail: e.to_string() };
    let offered: Vec<_> = device.supported_output_configs().map_err(failed)?.collect();
    let config = config(device, &offered, "outputs", wanted.outputs, wanted)?;
    let (wide, narrow) = (usize::from(config.channels), usize::from(wanted.outputs.max(1)));
    let mut scratch = vec![0.0f32; narrow * SCRATCH_FRAMES];
    let mut first = true;
    let data = move |out: &mut [f32], _: &cpal::OutputCallbackInfo| {
        if std::mem::take(&mut first) {
            quietly_here();
        }
        for block in out.chunks_mut(SCRATCH_FRAMES * wide) {
            let some = &mut scratch[..block.len() / wide * narrow];
            play(some);
            for (to, from) in block.chunks_exact_mut(wide).zip(some.chunks_exact(narrow)) {
                to[..narrow].copy_from_slice(from);
                to[narrow..].fill(0.0);
            }
        }
    };
    let watch = Arc::clone(watch);
    let errors = move |error: cpal::Error| match error.kind() {
        cpal::ErrorKind::Xrun => {
            watch.under_runs.fetch_add(1, Ordering::AcqRel);
        }
        cpal::ErrorKind::RealtimeDenied => {}
        _ => watch.lost.store(true, Ordering::Release),
    };
    device.build_output_stream(config, data, errors, Some(Duration::from_secs(2))).map_err(failed)
}

fn input_stream(
    device: &cpal::Device,
    wanted: &DuplexConfig,
    mut capture: Capture,
    watch: &Arc<Watch>,
) -> Result<cpal::Stream, DeviceError> {
    let failed = |e: cpal::Error| DeviceError::NoInput { detail: e.to_string() };
    let offered: Vec<_> = device.supported_input_configs().map_err(failed)?.collect();
    let config = config(device, &offered, "inputs", wanted.inputs, wanted)?;
    let (wide, narrow) = (usize::from(config.channels), usize::from(wanted.inputs.max(1)));
    let mut scratch = vec![0.0f32; narrow * SCRATCH_FRAMES];
    let mut first = true;
    let data = move |block: &[f32], _: &cpal::InputCallbackInfo| {
        if std::mem::take(&mut first) {
            quietly_here();
        }
        for part in block.chunks(SCRATCH_FRAMES * wide) {
            let some = &mut scratch[..part.len() / wide * narrow];
            for (to, from) in some.chunks_exact_mut(narrow).zip(part.chunks_exact(wide)) {
                to.copy_from_slice(&from[..narrow]);
            }
            capture(some);
        }
    };
    let watch = Arc::clone(watch);
    let errors = move |error: cpal::Error| match error.kind() {
        cpal::ErrorKind::Xrun => {
            watch.over_runs.fetch_add(1, Ordering::AcqRel);
        }
        cpal::ErrorKind::RealtimeDenied => {}
        _ => watch.lost.store(true, Ordering::Release),
    };
    device.build_input_stream(config, data, errors, Some(Duration::from_secs(2))).map_err(failed)
}

impl DuplexDevice for CardPair {
    fn name(&self) -> String {
        self.name.clone()
    }

    fn start(&self, wanted: &DuplexConfig, play: Render, capture: Capture) -> Result<Box<dyn DuplexRunning>, DeviceError> {
        quietly(|| {
            let watch = Arc::new(Watch::default());
            let input = input_stream(&self.input, wanted, capture, &watch)?;
            let output = output_stream(&self.output, wanted, play, &watch)?;
            input.play().map_err(|e| DeviceError::NoInput { detail: e.to_string() })?;
            output.play().map_err(|e| DeviceError::NoDevice { detail: e.to_string() })?;
            Ok(Box::new(CardPairRunning { _output: output, _input: input, watch }) as Box<dyn DuplexRunning>)
        })
    }
}
