//! What a rig is warned of. Each says what is so and what to do about it; nothing here refuses anything (that is the gate's).

pub use crate::circuit::caution::{BEFORE_METERING, CLIPPING};
use crate::circuit::load::Margin;
use crate::model::ids::{DriverLabel, SetupName, WiringName};
use std::fmt;

/// A warning about a rig, a wiring or a setup.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// Some drivers are reversed, others are not.
    MixedPolarity,
    /// The amplifier's rating against the cab's.
    Power(Margin),
    /// A driver without a rated power.
    NoRating,
    /// Coil inductance without its losses.
    LosslessCoil(DriverLabel),
    /// Polarity was not checked with a cell.
    PolarityUnchecked,
    /// A driver of the sheet that the wiring leaves out.
    IdleDriver(DriverLabel),
    /// Figures without which drive cannot be predicted.
    NoDrive(Vec<(DriverLabel, Vec<&'static str>)>),
    /// What the engineer noted from the maker's manual.
    ManualNote(String),
    /// One driver alone: perhaps what a shell left of an unquoted `||`.
    OneDriver(DriverLabel),
    /// Two setups that no driver can tell apart; the words of `circuit::same`.
    Same(SetupName, SetupName, String),
    /// Two setups in which wiring and tap change together.
    WiringAndTap(SetupName, SetupName),
    /// The sheet has no amplifier.
    NoAmplifier,
    /// A setup with a wiring and nothing to hold its load against.
    NoTap(SetupName),
    /// Setups of which the sheet says nothing but the name.
    NoWiring(Vec<SetupName>),
    /// A wiring that no ohmmeter was held to, or not since it was changed.
    NeverMetered(WiringName),
}

impl Warning {
    /// What to do about it.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::MixedPolarity => "Turn one round, unless you mean it.".to_owned(),
            Self::Power(Margin::TooLarge { .. }) => {
                "Do not connect it at full level: use a smaller amplifier or another cab.".to_owned()
            }
            Self::Power(Margin::AboveInClipping { .. }) => "Keep it out of clipping.".to_owned(),
            Self::Power(Margin::Below { .. }) => "Makers rate by different methods; keep some margin.".to_owned(),
            Self::NoRating => "Enter the rated power of every driver.".to_owned(),
            Self::LosslessCoil(_) => "Enter l2_mh and r2_ohm too, or leave le_mh out.".to_owned(),
            Self::PolarityUnchecked => "A 1.5 V cell at the plug must move every cone the same way.".to_owned(),
            Self::IdleDriver(_) => "Check the wiring if that is not meant.".to_owned(),
            Self::NoDrive(_) => "Enter them if the maker states them.".to_owned(),
            Self::ManualNote(_) => "Check it against the manual itself.".to_owned(),
            Self::OneDriver(driver) => {
                format!("For parallel write // in place of ||, as in {driver}//B, or put the wiring in quotes.")
            }
            Self::Same(..) => "What is heard between them is tap, source, tolerance or take.".to_owned(),
            Self::WiringAndTap(..) => "Compare wirings that stay on one tap if the wiring is the question.".to_owned(),
            Self::NoAmplifier => "Add [amplifier] with kind, rated_w and taps_ohm (solid-state: min_load_ohm).".to_owned(),
            Self::NoTap(_) => "Add tap_ohm to the setup, or min_load_ohm to a solid-state amplifier.".to_owned(),
            Self::NoWiring(_) => "Add a [[wiring]], and wiring and tap_ohm to the setup.".to_owned(),
            Self::NeverMetered(wiring) => format!("Read it before its first power-on: cabjury meter FOLDER {wiring} OHM."),
        }
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::MixedPolarity => {
                write!(f, "Reversed drivers are mixed with others: where both are heard, the low end cancels.")
            }
            Self::Power(margin) => power(*margin, f),
            Self::NoRating => write!(f, "A driver's rated power is missing: the largest amplifier power is not known."),
            Self::LosslessCoil(driver) => {
                write!(f, "Driver {driver}: le_mh without l2_mh and r2_ohm overstates the impedance at the top end.")
            }
            Self::PolarityUnchecked => write!(f, "Polarity is not marked as checked for every driver."),
            Self::IdleDriver(driver) => write!(f, "Driver {driver} is in the sheet but not in this wiring."),
            Self::NoDrive(lacking) => {
                let each: Vec<String> = lacking.iter().map(|(d, keys)| format!("{} of driver {d}", keys.join(", "))).collect();
                write!(f, "What each driver gets is not predicted; the sheet lacks {}.", each.join("; "))
            }
            Self::ManualNote(note) => write!(f, "Limits from the maker's manual, as you noted: {note}"),
            Self::OneDriver(driver) => {
                write!(f, "This is driver {driver} alone. If you typed || without quotes, the shell kept the rest for itself.")
            }
            Self::Same(first, second, words) => write!(f, "{first} and {second} {words}"),
            Self::WiringAndTap(first, second) => {
                write!(
                    f,
                    "{first} and {second} differ in wiring and tap together: a verdict cannot say which of the two was heard"
                )
            }
            Self::NoAmplifier => write!(
                f,
                "The sheet has no amplifier: loads are judged as a valve amplifier's, its taps and power are not known."
            ),
            Self::NoTap(setup) => {
                write!(f, "{setup} has a wiring but no tap: its load cannot be judged. Do not connect it before it can be.")
            }
            Self::NoWiring(setups) => {
                let names: Vec<&str> = setups.iter().map(SetupName::as_str).collect();
                write!(f, "Nothing is known of the load of {}: the sheet names no wiring.", names.join(" and "))
            }
            Self::NeverMetered(wiring) => write!(f, "The wiring {wiring} was never read with an ohmmeter."),
        }
    }
}

/// Every comparison of powers names clipping's factor of two.
fn power(margin: Margin, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    match margin {
        Margin::TooLarge { amplifier_w, cab_w } => write!(
            f,
            "The amplifier is too large for this cab: rated {amplifier_w:.0} W, in clipping up to {:.0} W, against {cab_w:.0} W by the ratings you entered.",
            2.0 * amplifier_w
        ),
        Margin::AboveInClipping { amplifier_w, cab_w } => write!(
            f,
            "Rated {amplifier_w:.0} W, the amplifier gives up to {:.0} W in clipping: more than the cab's {cab_w:.0} W by the ratings you entered.",
            2.0 * amplifier_w
        ),
        Margin::Below { amplifier_w, cab_w } => write!(
            f,
            "Rated {amplifier_w:.0} W, the amplifier gives up to {:.0} W in clipping; by the ratings you entered the cab takes {cab_w:.0} W.",
            2.0 * amplifier_w
        ),
    }
}

/// A warning and its remedy as one text.
#[must_use]
pub fn text(warning: &Warning) -> String {
    let said = warning.to_string();
    let end = if said.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{said}{end} {}", warning.remedy())
}
