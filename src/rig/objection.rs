//! What can stand against a setup at the gate, each with what to do about it.

use crate::circuit::meter::SHORT_OHM;
use crate::model::rig::{AmplifierKind, Rig, Setup};
use crate::model::session::{MeterRecord, MeterValue};
use jiff::Timestamp;
use std::fmt;

/// Something that stands against a setup.
#[derive(Debug, Clone, PartialEq)]
pub enum Objection {
    /// The last reading was near zero.
    ReadShort {
        /// The wiring.
        wiring: String,
        /// When it was read.
        at: Timestamp,
    },
    /// The last reading was open.
    ReadOpen {
        /// The wiring.
        wiring: String,
        /// When it was read.
        at: Timestamp,
    },
    /// The last reading was a number that is not as intended.
    ReadWrong {
        /// The wiring.
        wiring: String,
        /// The reading.
        ohm: f64,
        /// Least reading expected.
        low: f64,
        /// Largest reading expected.
        high: f64,
        /// When it was read.
        at: Timestamp,
    },
    /// The amplifier has no such tap.
    NoSuchTap {
        /// The setup's tap.
        tap_ohm: f64,
        /// The amplifier's taps.
        taps_ohm: Vec<f64>,
    },
    /// The load must not be connected.
    DoNotConnect {
        /// Why.
        reasons: Vec<String>,
    },
}

impl Objection {
    /// The stable name.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::ReadShort { .. } => "read-short",
            Self::ReadOpen { .. } => "read-open",
            Self::ReadWrong { .. } => "read-wrong",
            Self::NoSuchTap { .. } => "no-such-tap",
            Self::DoNotConnect { .. } => "do-not-connect",
        }
    }

    /// What to do about it.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::ReadShort { wiring, .. } => {
                format!("do not power on; find the short, then read it again: cabjury meter FOLDER {wiring} OHM")
            }
            Self::ReadOpen { wiring, .. } => {
                format!("do not power on; find the open link, then read it again: cabjury meter FOLDER {wiring} OHM")
            }
            Self::ReadWrong { wiring, .. } => {
                format!("look at the wiring, then read it again: cabjury meter FOLDER {wiring} OHM")
            }
            Self::NoSuchTap { .. } => {
                "correct tap_ohm of the setup or taps_ohm of the amplifier, and read the sheet in again: cabjury rig FOLDER --sheet rig.toml".to_owned()
            }
            Self::DoNotConnect { .. } => {
                "take another tap or wiring, and read the sheet in again: cabjury rig FOLDER --sheet rig.toml".to_owned()
            }
        }
    }

    /// True when an ohmmeter said so, not the sheet.
    #[must_use]
    pub fn is_a_reading(&self) -> bool {
        matches!(self, Self::ReadShort { .. } | Self::ReadOpen { .. } | Self::ReadWrong { .. })
    }

    /// What a reason is bound to: the objection itself, a reading with its time.
    #[must_use]
    pub fn mark(&self) -> String {
        match self {
            Self::ReadShort { at, .. } | Self::ReadOpen { at, .. } | Self::ReadWrong { at, .. } => {
                format!("{}: {at}", self.kind())
            }
            Self::NoSuchTap { .. } | Self::DoNotConnect { .. } => format!("{}: {self}", self.kind()),
        }
    }
}

impl fmt::Display for Objection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ReadShort { wiring, .. } => {
                write!(f, "must not be powered: the wiring {wiring} last read wrong, near 0 ohm, which is a short")
            }
            Self::ReadOpen { wiring, .. } => write!(f, "must not be powered: the wiring {wiring} last read wrong, open"),
            Self::ReadWrong { wiring, ohm, low, high, .. } => write!(
                f,
                "is not wired as intended: the wiring {wiring} last read wrong, {ohm:.1} ohm in place of {low:.1} to {high:.1} ohm"
            ),
            Self::NoSuchTap { tap_ohm, taps_ohm } => {
                let taps: Vec<String> = taps_ohm.iter().map(ToString::to_string).collect();
                write!(f, "must not be connected: the amplifier has no {tap_ohm} ohm tap; it has {} ohm", taps.join(", "))
            }
            Self::DoNotConnect { reasons } => write!(f, "must not be connected: {}", reasons.join("; ")),
        }
    }
}

/// The objection that a reading is; none when it is as intended.
#[must_use]
pub fn read_wrong(reading: &MeterRecord) -> Option<Objection> {
    if reading.as_intended {
        return None;
    }
    let (wiring, at) = (reading.wiring.clone(), reading.at);
    Some(match reading.reading {
        MeterValue::Open => Objection::ReadOpen { wiring, at },
        MeterValue::Ohm(r) if r.value() < SHORT_OHM => Objection::ReadShort { wiring, at },
        MeterValue::Ohm(r) if r.value() > 1000.0 => Objection::ReadOpen { wiring, at },
        MeterValue::Ohm(r) => {
            Objection::ReadWrong { wiring, ohm: r.value(), low: reading.low.value(), high: reading.high.value(), at }
        }
    })
}

/// A tap that a valve amplifier does not have; an amplifier whose taps are not stated has all of them.
#[must_use]
pub fn no_such_tap(rig: &Rig, setup: &Setup) -> Option<Objection> {
    let (amplifier, tap) = rig.amplifier.as_ref().zip(setup.tap_ohm)?;
    let taps: Vec<f64> = amplifier.taps_ohm.iter().map(|t| t.value()).collect();
    let missing =
        amplifier.kind == AmplifierKind::Valve && !taps.is_empty() && taps.iter().all(|t| (t - tap.value()).abs() > 1e-9);
    missing.then(|| Objection::NoSuchTap { tap_ohm: tap.value(), taps_ohm: taps })
}
