//! How the interface is connected: the sheet's `[audio]`, what was typed over it, and the device that comes of it.

use super::damage::DamageAt;
use super::simulated::SimulatedRig;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use crate::model::rig::{AudioPatch, Rig};
use crate::sound::card_duplex::CardPair;
use crate::sound::deck::Channels;
use crate::sound::device::Pace;
use crate::sound::duplex::DuplexDevice;
use crate::sound::tape::SampleForm;

/// What was typed; what was not is taken from the sheet's `[audio]`.
#[derive(Debug, Clone, Default)]
pub struct PatchRequest {
    /// The device that plays; `simulated` plays and records.
    pub device: Option<String>,
    /// The device that records.
    pub input: Option<String>,
    /// The output that feeds the reamp box, from 1.
    pub reamp_output: Option<u16>,
    /// The input at which that output comes back, from 1.
    pub loop_back: Option<u16>,
    /// Inputs, from 1, and their mics.
    pub mics: Vec<(u16, MicName)>,
    /// Frames of the buffer.
    pub buffer: Option<u32>,
    /// 24, or 32 for float.
    pub bits: Option<u16>,
    /// What is not given is not taken from the sheet either: everything is said here.
    pub whole: bool,
}

/// What a simulated device is told.
#[derive(Debug, Clone, Default)]
pub struct Simulation {
    /// All that is random comes from it.
    pub seed: u64,
    /// What goes wrong.
    pub damages: Vec<DamageAt>,
}

/// How everything is connected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Patch {
    /// As it is kept in the session.
    pub kept: AudioPatch,
    /// Mics in the order of their inputs, with these, from 0.
    pub mics: Vec<(u16, MicName)>,
}

fn wrong(message: impl Into<String>, next: &str) -> Failure {
    Failure::plain("patch", Fate::WrongUse, message, next)
}

/// Puts together what the sheet says and what was typed.
///
/// # Errors
/// A mic that the sheet does not have, an input that is given twice.
pub fn patch(rig: &Rig, asked: &PatchRequest) -> Result<Patch, Failure> {
    let of_sheet = rig.audio.clone().unwrap_or_default();
    let mut kept = if asked.whole { AudioPatch { rate_hz: of_sheet.rate_hz, ..AudioPatch::default() } } else { of_sheet };
    let both = asked.device.as_ref().filter(|_| asked.input.is_none());
    if let Some(device) = &asked.device {
        kept.output = Some(device.clone());
    }
    // One interface does both, unless two are named.
    if let Some(input) = asked.input.as_ref().or(both) {
        kept.input = Some(input.clone());
    }
    kept.reamp_output = asked.reamp_output.or(kept.reamp_output);
    kept.loop_back = asked.loop_back.or(kept.loop_back);
    kept.buffer_frames = asked.buffer.or(kept.buffer_frames);
    kept.bits = asked.bits.or(kept.bits);
    if !asked.mics.is_empty() {
        kept.mics = asked.mics.iter().map(|(input, mic)| (mic.clone(), *input)).collect();
    }
    if kept.mics.is_empty() {
        kept.mics = rig.mic_names().into_iter().zip(1..).collect();
    }
    for mic in kept.mics.keys() {
        if !rig.mics.is_empty() && !rig.mics.iter().any(|m| &m.name == mic) {
            let known: Vec<&str> = rig.mics.iter().map(|m| m.name.as_str()).collect();
            return Err(wrong(format!("the sheet has no mic {mic}; it has {}", known.join(", ")), "correct --mic INPUT=NAME"));
        }
    }
    let mut mics: Vec<(u16, MicName)> = kept.mics.iter().map(|(m, input)| (*input, m.clone())).collect();
    mics.sort();
    let mut inputs: Vec<u16> = mics.iter().map(|(i, _)| *i).chain(kept.loop_back).collect();
    inputs.sort_unstable();
    if let Some(twice) = inputs.windows(2).find(|w| w[0] == w[1]) {
        return Err(wrong(format!("input {} is given twice", twice[0]), "give each mic an input of its own: --mic 1=close-a"));
    }
    if inputs.iter().chain(&kept.reamp_output).any(|c| !(1..=64).contains(c)) {
        return Err(wrong("channels count from 1 to 64", "count as the interface's front does"));
    }
    Ok(Patch { kept, mics: mics.into_iter().map(|(input, mic)| (input - 1, mic)).collect() })
}

impl Patch {
    /// Channels of the device's buffers; the loop-back is recorded behind the mics.
    #[must_use]
    pub fn channels(&self) -> Channels {
        let reamp = usize::from(self.kept.reamp_output.unwrap_or(1) - 1);
        let loop_back = self.kept.loop_back.map(|c| usize::from(c - 1));
        let taken: Vec<usize> = self.mics.iter().map(|(i, _)| usize::from(*i)).chain(loop_back).collect();
        // Two outputs at least: hardly a device runs with one.
        Channels { outputs: (reamp + 1).max(2), reamp, inputs: taken.iter().max().map_or(1, |m| m + 1), taken }
    }

    /// How samples are kept.
    #[must_use]
    pub fn form(&self) -> SampleForm {
        if self.kept.bits == Some(32) { SampleForm::Float32 } else { SampleForm::Int24 }
    }

    /// Nothing real is played or recorded.
    #[must_use]
    pub fn simulated(&self) -> bool {
        self.kept.output.as_deref().is_some_and(|name| name.starts_with("simulated"))
    }

    /// Opens the device.
    ///
    /// # Errors
    /// There is none, or none of that name.
    pub fn open(&self, rig: &Rig, simulation: &Simulation) -> Result<Box<dyn DuplexDevice>, Failure> {
        let pace = match self.kept.output.as_deref() {
            Some("simulated") => Pace::RealTime,
            // For tests and the demo: no name that a person would type by chance.
            Some("simulated-fastest") => Pace::Fastest,
            output => return Ok(Box::new(CardPair::open(output, self.kept.input.as_deref())?)),
        };
        Ok(Box::new(SimulatedRig {
            rig: rig.clone(),
            mics: self.mics.clone(),
            reamp: self.kept.reamp_output.unwrap_or(1) - 1,
            loop_back: self.kept.loop_back.map(|c| c - 1),
            seed: simulation.seed,
            damages: simulation.damages.clone(),
            pace,
        }))
    }
}
