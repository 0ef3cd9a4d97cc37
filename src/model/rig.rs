//! What the rig sheet says: amplifier, drivers, wirings, setups, mics, blends, and what is held.

use super::ids::{DriverLabel, MicName, SetupName, WiringName};
use crate::units::{Decibel, Hertz, Ohm, SampleRate, Watt};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The whole rig. A session made of two files has setups and nothing else.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Rig {
    /// The session's title, if one was given.
    pub title: Option<String>,
    /// The question that the engineer asks, in their words. Never shown to a listener.
    pub question: Option<String>,
    /// The amplifier, if known.
    pub amplifier: Option<Amplifier>,
    /// Drivers in the sheet's order.
    pub drivers: Vec<Driver>,
    /// Wirings in the sheet's order.
    pub wirings: Vec<Wiring>,
    /// Setups in the sheet's order.
    pub setups: Vec<Setup>,
    /// Mics in the sheet's order.
    pub mics: Vec<Mic>,
    /// Blends in the sheet's order.
    pub blends: Vec<Blend>,
    /// Everything that must stay the same; free keys.
    pub held: BTreeMap<String, String>,
    /// How the interface is connected, for recording with the tool itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub audio: Option<AudioPatch>,
}

/// How the interface is connected: which output feeds the reamp box, which inputs are which mics. Channels count from 1.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AudioPatch {
    /// Output device by name; `None`: the system's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub output: Option<String>,
    /// Input device by name; `None`: the system's own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub input: Option<String>,
    /// Frames per second; `None`: the DI's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_hz: Option<SampleRate>,
    /// The output that feeds the reamp box; `None`: the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reamp_output: Option<u16>,
    /// The input at which that output comes back by a cable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub loop_back: Option<u16>,
    /// 24, or 32 for float; `None`: 24.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bits: Option<u16>,
    /// Frames of the device's buffer; `None`: the device's own choice.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub buffer_frames: Option<u32>,
    /// The input of each mic.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub mics: BTreeMap<MicName, u16>,
}

/// Valve or solid-state: the two kinds obey different rules for a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AmplifierKind {
    /// Valve, with an output transformer and its taps.
    Valve,
    /// Solid-state, with a least load.
    SolidState,
}

/// The amplifier.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Amplifier {
    /// The engineer's own label.
    pub label: String,
    /// Valve or solid-state.
    pub kind: AmplifierKind,
    /// Rated power.
    pub rated_w: Option<Watt>,
    /// Output taps (valve); empty for solid-state.
    pub taps_ohm: Vec<Ohm>,
    /// The least load allowed (solid-state).
    pub min_load_ohm: Option<Ohm>,
    /// Output impedance seen on the 8 ohm tap, if measured or known.
    pub output_ohm_at_8: Option<Ohm>,
    /// The maker's own limits for load divided by tap, (least, most).
    pub allow_ratio: Option<(f64, f64)>,
    /// Where the maker's limits come from.
    pub manual_note: Option<String>,
}

/// A loudspeaker driver: rated figures, and as many of the small-signal figures as are known.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Driver {
    /// Label in a network.
    pub label: DriverLabel,
    /// Rated (nominal) impedance.
    pub nominal_ohm: Ohm,
    /// Rated power, if given.
    pub rated_w: Option<Watt>,
    /// DC resistance of the coil.
    pub re_ohm: Option<Ohm>,
    /// True when `re_ohm` was read with a meter on this very driver.
    pub re_measured: bool,
    /// True when polarity was checked with a cell.
    pub polarity_checked: bool,
    /// Free-air resonance.
    pub fs_hz: Option<Hertz>,
    /// Mechanical Q at resonance.
    pub qms: Option<f64>,
    /// Electrical Q at resonance.
    pub qes: Option<f64>,
    /// Coil inductance in millihenry.
    pub le_mh: Option<f64>,
    /// Second inductance in millihenry (lossy coil).
    pub l2_mh: Option<f64>,
    /// Resistance across the second inductance.
    pub r2_ohm: Option<Ohm>,
    /// Equivalent air volume in litre.
    pub vas_l: Option<f64>,
    /// Moving mass in gram.
    pub mms_g: Option<f64>,
    /// Cone area in square centimetre.
    pub sd_cm2: Option<f64>,
}

/// A wiring: a network of drivers, and the closed box it sits in, if any.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Wiring {
    /// Name in the sheet.
    pub name: WiringName,
    /// The network as the engineer wrote it.
    pub network: String,
    /// Volume of the closed box in litre, shared equally by its drivers; `None` for open-back.
    pub box_l: Option<f64>,
}

/// A setup: a wiring on a tap, everything else held. A session made of two files knows only the names.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// The setup's name.
    pub name: SetupName,
    /// Its wiring, if the sheet has one.
    pub wiring: Option<WiringName>,
    /// Its tap (valve) or the least load (solid-state), if the sheet has one.
    pub tap_ohm: Option<Ohm>,
}

/// A mic and the drivers that it hears.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mic {
    /// The mic's name.
    pub name: MicName,
    /// Labels of the drivers it mostly hears; empty when not said.
    pub hears: Vec<DriverLabel>,
}

/// A stated sum of a pass's mics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Blend {
    /// The blend's name; shares one name space with the mics.
    pub name: MicName,
    /// Mics that go in.
    pub of: Vec<MicName>,
    /// One gain per mic.
    pub gains_db: Vec<Decibel>,
}

impl Rig {
    /// The setup of that name.
    #[must_use]
    pub fn setup(&self, name: &SetupName) -> Option<&Setup> {
        self.setups.iter().find(|s| &s.name == name)
    }

    /// The wiring of that name.
    #[must_use]
    pub fn wiring(&self, name: &WiringName) -> Option<&Wiring> {
        self.wirings.iter().find(|w| &w.name == name)
    }

    /// The mics of the sheet; the default one where it names none.
    #[must_use]
    pub fn mic_names(&self) -> Vec<MicName> {
        if self.mics.is_empty() { vec![self.default_mic()] } else { self.mics.iter().map(|m| m.name.clone()).collect() }
    }

    /// The mic that a recording belongs to when none is named: the sheet's only one, else `main`.
    #[must_use]
    pub fn default_mic(&self) -> MicName {
        match self.mics.as_slice() {
            [only] => only.name.clone(),
            _ => MicName::main(),
        }
    }
}
