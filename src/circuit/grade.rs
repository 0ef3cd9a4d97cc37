//! Load against tap: matched, tolerated, or not to be connected. The thresholds are ours; the factor-of-two band is common practice, no
//! source. A grade never says more than that.

use super::solve::Branch;
use super::source::effective_nominal;
use crate::model::rig::AmplifierKind;
use serde::Serialize;

/// The grades.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Grade {
    /// The load fits the tap.
    Matched,
    /// Within what is usually tolerated.
    Tolerated,
    /// Outside, or unknown.
    DoNotConnect,
}

impl Grade {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Matched => "matched",
            Self::Tolerated => "tolerated",
            Self::DoNotConnect => "do-not-connect",
        }
    }

    /// A shape of its own for each, so that a grade is told from another without colour.
    #[must_use]
    pub fn shape(self) -> &'static str {
        match self {
            Self::Matched => "\u{25cb}",
            Self::Tolerated => "\u{25b3}",
            Self::DoNotConnect => "\u{2715}",
        }
    }
}

/// The maker's own limits, as the engineer entered them.
#[derive(Debug, Clone, PartialEq)]
pub struct Allowed {
    /// Least load divided by tap.
    pub least: f64,
    /// Largest load divided by tap.
    pub most: f64,
    /// Where they come from. Without it wider limits lift nothing; an empty one is none.
    pub note: Option<String>,
}

impl Allowed {
    /// The note, if it says something.
    #[must_use]
    pub fn said(&self) -> Option<&str> {
        self.note.as_deref().map(str::trim).filter(|n| !n.is_empty())
    }
}

/// What the load is held against.
#[derive(Debug, Clone, PartialEq)]
pub struct Against {
    /// Valve or solid-state.
    pub kind: AmplifierKind,
    /// The tap; for solid-state the least load.
    pub tap_ohm: f64,
    /// The maker's own limits of load divided by tap, and the note that says where they come from.
    pub allow: Option<Allowed>,
}

/// A grade with its reasons.
#[derive(Debug, Clone, PartialEq)]
pub struct Graded {
    /// The grade.
    pub grade: Grade,
    /// Load divided by tap, on nominal ohms; none for open or short.
    pub ratio: Option<f64>,
    /// Why, one sentence each.
    pub reasons: Vec<String>,
}

const MATCHED: f64 = 0.85;
const TOLERATED: f64 = 0.46;
/// 15 ohm counts as 16, and 16 on 8 is 2:1: limits are compared with a grain of slack for rounding.
const SLACK: f64 = 1e-9;

/// Effect on level when the tap alone changes from ratio 1 to `r`, for an output impedance of `k` taps, below clipping:
/// 10 log10([r/(r+k)^2] / [1/(1+k)^2]).
#[must_use]
pub fn level_effect_db(r: f64, k: f64) -> f64 {
    10.0 * ((r / (r + k).powi(2)) * (1.0 + k).powi(2)).log10()
}

/// Grades a load. `least_modulus`: the smallest impedance over the rated range, where driver data allow; it then counts as
/// min(nominal, modulus / 0.8) (IEC 60268-5's 80 % rule).
#[must_use]
pub fn grade(load: Branch<f64>, least_modulus: Option<f64>, against: &Against, output_ohm_at_8: f64) -> Graded {
    let nominal = match load {
        Branch::Open => {
            return refused("an open output: in a valve amplifier the interrupted current arcs; there is no sound either");
        }
        Branch::Short => return refused("a short: too much current"),
        Branch::Value(z) => z,
    };
    let ratio = nominal / against.tap_ohm;
    let effective = least_modulus.map_or(nominal, |m| effective_nominal(nominal, m));
    let mut reasons = Vec::new();
    if effective < nominal - 1e-6 {
        reasons.push(format!("the impedance falls to {:.2} ohm: it counts as {effective:.2} ohm (80 % rule)", effective * 0.8));
    } else if least_modulus.is_some() {
        reasons.push("the impedance stays above 80 % of nominal over 80 Hz to 5 kHz".to_owned());
    }
    let r = effective / against.tap_ohm;
    let mut grade = match against.kind {
        AmplifierKind::SolidState => solid_state(r, nominal, against.tap_ohm, &mut reasons),
        AmplifierKind::Valve => valve(r, ratio, against.tap_ohm, output_ohm_at_8, &mut reasons),
    };
    if let Some(allowed) = &against.allow {
        grade = within_allowed(allowed, ratio, grade, &mut reasons);
    }
    Graded { grade, ratio: Some(ratio), reasons }
}

/// Stricter limits always hold; wider ones only with a note that says where they come from.
fn within_allowed(allowed: &Allowed, ratio: f64, grade: Grade, reasons: &mut Vec<String>) -> Grade {
    let Allowed { least, most, .. } = allowed;
    if !(ratio >= least - SLACK && ratio <= most + SLACK) {
        reasons.push(format!("outside the maker's limits {least} to {most}, as you entered them from the manual"));
        return Grade::DoNotConnect;
    }
    if grade != Grade::DoNotConnect {
        return grade;
    }
    let Some(note) = allowed.said() else {
        reasons.push("the maker's limits you entered are wider, but without a manual_note the stricter ones hold".to_owned());
        return grade;
    };
    reasons.push(format!("within the maker's limits {least} to {most}, as you entered them from the manual: {note}"));
    Grade::Tolerated
}

fn refused(reason: &str) -> Graded {
    Graded { grade: Grade::DoNotConnect, ratio: None, reasons: vec![reason.to_owned()] }
}

fn solid_state(r: f64, nominal: f64, least: f64, reasons: &mut Vec<String>) -> Grade {
    if r < 1.0 - 1e-6 {
        reasons.push(format!("below the least load of {least} ohm: too much current"));
        Grade::DoNotConnect
    } else if nominal > least * (1.0 + 1e-6) {
        reasons.push(format!("above the least load: about {:.0} % of the full power", 100.0 * least / nominal));
        Grade::Tolerated
    } else {
        reasons.push("equal to the least load".to_owned());
        Grade::Matched
    }
}

fn valve(r: f64, ratio: f64, tap: f64, output_ohm_at_8: f64, reasons: &mut Vec<String>) -> Grade {
    let within = |limit: f64| r >= limit - SLACK && r <= 1.0 / limit + SLACK;
    if within(MATCHED) {
        reasons.push(format!("load and tap agree ({ratio:.2}:1)"));
        return Grade::Matched;
    }
    // Output impedance and tap scale together: k is the same on every tap.
    let effect = level_effect_db(ratio, output_ohm_at_8 / 8.0);
    if within(TOLERATED) {
        let side = if r < 1.0 {
            "a load under the tap: more valve current and heat; keep it short and moderate"
        } else {
            "a load over the tap: higher primary voltage, less maximum power"
        };
        reasons.push(format!("{side} ({ratio:.2}:1 on {tap} ohm)"));
        reasons.push(format!("expect about {effect:+.1} dB and another damping from the tap alone, below clipping"));
        reasons.push("common practice, not a guarantee; the maker's manual decides".to_owned());
        return Grade::Tolerated;
    }
    reasons.push(format!("{ratio:.2}:1 is beyond a factor of two, which is the most that is usually tolerated"));
    Grade::DoNotConnect
}
