//! What this room refuses, each with what to do next.

use super::objection::Objection;
use crate::model::explain::{Explain, Fate};
use crate::model::ids::{DriverLabel, SetupName, TakeId};
use crate::units::{Ohm, Watt};
use std::path::{Path, PathBuf};

/// A request about a rig that cannot be met.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RigError {
    /// The gate is closed.
    #[error("{setup} {first}", first = objections.first().map_or_else(String::new, ToString::to_string))]
    Closed {
        /// The setup.
        setup: SetupName,
        /// What stands against it, the gravest first.
        objections: Vec<Objection>,
    },
    /// A driver is given twice.
    #[error("driver {0} is given twice")]
    DriverTwice(DriverLabel),
    /// A tap that cannot be.
    #[error("a tap of {0} ohm cannot be")]
    Tap(f64),
    /// A rated impedance out of range.
    #[error("driver {0} has a rated impedance of {1}; it must be 1 to 128 ohm")]
    Nominal(DriverLabel, Ohm),
    /// A rated power of nothing.
    #[error("driver {0} has a rated power of {1}; it must be above 0 W")]
    Rated(DriverLabel, Watt),
    /// A driver that the wiring does not use.
    #[error("driver {idle} is given, but the wiring {wiring} does not use it")]
    UnusedDriver {
        /// The driver.
        idle: DriverLabel,
        /// The wiring as it arrived.
        wiring: String,
        /// The wiring is one driver: perhaps a shell cut it.
        cut: bool,
    },
    /// No driver of that session.
    #[error("the session's sheet has no drivers, so it is not known what the ohmmeter should read")]
    NoDrivers,
    /// Nothing of the session is wired.
    #[error("the session has no rig sheet: amplifier, drivers, wirings and taps are missing, so nothing can be said of any load")]
    NoRig,
    /// A change under which takes were recorded.
    #[error("the sheet changes a part of the rig under which takes were recorded: {}", takes.iter().map(ToString::to_string).collect::<Vec<_>>().join(", "))]
    InUse {
        /// The takes.
        takes: Vec<TakeId>,
    },
    /// A drawing that is there already.
    #[error("{} exists already and is never overwritten", .0.display())]
    ExistsAlready(PathBuf),
    /// A drawing that cannot be written.
    #[error("{} cannot be written: {why}", path.display())]
    CannotWrite {
        /// Where.
        path: PathBuf,
        /// What the system said.
        why: String,
    },
    /// A setup that is not there.
    #[error("the session has no setup {0}")]
    NoSuchSetup(SetupName),
    /// A reason that says nothing.
    #[error("a reason is needed to go on with {0} all the same")]
    NoReason(SetupName),
}

impl Explain for RigError {
    fn kind(&self) -> &'static str {
        match self {
            Self::Closed { objections, .. } => objections.first().map_or("do-not-connect", Objection::kind),
            Self::DriverTwice(_) => "driver-twice",
            Self::Tap(_) => "wrong-use",
            Self::Nominal(..) | Self::Rated(..) => "out-of-range",
            Self::UnusedDriver { .. } => "unused-driver",
            Self::NoDrivers => "no-drivers",
            Self::NoRig => "no-rig",
            Self::InUse { .. } => "rig-in-use",
            Self::ExistsAlready(_) => "exists-already",
            Self::CannotWrite { .. } => "cannot-write",
            Self::NoSuchSetup(_) => "no-such-setup",
            Self::NoReason(_) => "no-reason",
        }
    }

    fn next(&self) -> String {
        match self {
            Self::Closed { objections, .. } => {
                let remedy = objections.first().map_or_else(String::new, Objection::remedy);
                format!("{remedy}; if it was done all the same, type why: --load-reason \"...\" (card, run sheet and report print it)")
            }
            Self::DriverTwice(_) => "give each --driver its own label".to_owned(),
            Self::Tap(_) => "give it in ohm, as in --tap 8".to_owned(),
            Self::Nominal(..) => "check the rated impedance".to_owned(),
            Self::Rated(..) => "give the rated power in watt, or leave it out".to_owned(),
            Self::UnusedDriver { cut: true, .. } => {
                "a shell keeps what stands behind an unquoted || for itself: write // in its place, as in A//B, or put the wiring in quotes".to_owned()
            }
            Self::UnusedDriver { .. } => "put it into the wiring, or take --driver away".to_owned(),
            Self::NoDrivers | Self::NoRig => "read a rig sheet in with: cabjury rig FOLDER --sheet rig.toml".to_owned(),
            Self::InUse { .. } => "describe the changed part as a setup of its own, or make a new session".to_owned(),
            Self::ExistsAlready(_) => "choose another name".to_owned(),
            Self::CannotWrite { .. } => "choose another folder".to_owned(),
            Self::NoSuchSetup(_) => "check the name".to_owned(),
            Self::NoReason(_) => "type why; card, run sheet and report print it".to_owned(),
        }
    }

    fn fate(&self) -> Fate {
        match self {
            Self::Closed { .. } | Self::NoDrivers | Self::NoRig | Self::InUse { .. } | Self::ExistsAlready(_) => Fate::Refused,
            Self::Tap(_) | Self::NoReason(_) => Fate::WrongUse,
            Self::CannotWrite { .. } => Fate::Failed,
            _ => Fate::Unfit,
        }
    }

    fn path(&self) -> Option<&Path> {
        match self {
            Self::ExistsAlready(path) | Self::CannotWrite { path, .. } => Some(path),
            _ => None,
        }
    }
}
