//! `load`, and the part of `rig` that is the same: load, grade, shares, meter reading, cautions of one wiring on one tap.

use crate::circuit::drive::{Driven, SOLID_STATE_OUTPUT_OHM, Source, VALVE_OUTPUT_OHM};
pub use crate::circuit::grade::Grade;
use crate::circuit::grade::{Against, Allowed, grade};
use crate::circuit::solve::Branch;
use crate::circuit::{Network, caution, load as circuit_load, meter, parse_known};
use crate::model::failure::Failure;
use crate::model::ids::DriverLabel;
use crate::model::rig::{Amplifier, AmplifierKind, Driver};
use crate::rig::error::RigError;
use crate::rig::warning::{Warning, text};
use serde::Serialize;

/// The reading to expect.
#[derive(Debug, Clone, Serialize)]
pub struct MeterBandDoc {
    /// Expected.
    pub expected: Branch<f64>,
    /// Least, meter and leads included; null for open.
    pub low: Option<f64>,
    /// Largest, meter and leads included; null for open.
    pub high: Option<f64>,
}

/// One driver's part.
#[derive(Debug, Clone, Serialize)]
pub struct DriverDoc {
    /// Its label.
    pub driver: String,
    /// Its share of the power, 0 to 1.
    pub share: f64,
    /// Its rated power.
    pub rated_w: Option<f64>,
    /// True when it limits the cab.
    pub limiting: bool,
}

/// The document of `load`.
#[derive(Debug, Clone, Serialize)]
pub struct LoadDoc {
    /// Canonical form.
    pub wiring: String,
    /// Number, `"open"` or `"short"`.
    pub load_ohm: Branch<f64>,
    /// The tap; for solid-state the least load.
    pub tap_ohm: f64,
    /// Load divided by tap.
    pub ratio: Option<f64>,
    /// The grade.
    pub grade: Grade,
    /// Why.
    pub reasons: Vec<String>,
    /// The reading to expect.
    pub meter_ohm: MeterBandDoc,
    /// Drivers in the canonical order.
    pub drivers: Vec<DriverDoc>,
    /// Largest amplifier power within the ratings that were entered.
    pub largest_amp_w: Option<f64>,
    /// What to mind.
    pub cautions: Vec<String>,
    /// The part of the cautions that is about this wiring and not about amplifiers in general.
    #[serde(skip)]
    pub warnings: Vec<Warning>,
}

impl LoadDoc {
    /// Puts more warnings before the others.
    pub fn put_first(&mut self, more: Vec<Warning>) {
        self.cautions.splice(0..0, more.iter().map(text));
        self.warnings.splice(0..0, more);
    }

    /// True when the load must not be connected.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.grade == Grade::DoNotConnect
    }

    /// The grade as a card prints it.
    #[must_use]
    pub fn grade_text(&self) -> &'static str {
        match self.grade {
            Grade::Matched => "matched",
            Grade::Tolerated => "tolerated",
            Grade::DoNotConnect => "DO NOT CONNECT",
        }
    }
}

/// Output impedance on the 8 ohm tap, and whether it is assumed.
#[must_use]
pub fn output_ohm(amplifier: Option<&Amplifier>) -> (f64, bool) {
    match amplifier {
        Some(Amplifier { output_ohm_at_8: Some(z), .. }) => (z.value(), false),
        Some(Amplifier { kind: AmplifierKind::SolidState, .. }) => (SOLID_STATE_OUTPUT_OHM, true),
        _ => (VALVE_OUTPUT_OHM, true),
    }
}

/// The source of a setup: solid-state amplifiers have no transformer, so their tap plays no part.
#[must_use]
pub fn source(kind: AmplifierKind, tap_ohm: f64, output_ohm_at_8: f64) -> Source {
    let tap_ohm = if kind == AmplifierKind::Valve { tap_ohm } else { 8.0 };
    Source { tap_ohm, output_ohm_at_8 }
}

/// Judges a wiring on a tap.
#[must_use]
pub fn judge(network: &Network, drivers: &[Driver], box_l: Option<f64>, amplifier: &Amplifier, tap_ohm: f64) -> LoadDoc {
    let network = network.canonical();
    let load = circuit_load::nominal(&network, drivers);
    let (zo, assumed) = output_ohm(Some(amplifier));
    let driven = Driven::new(&network, drivers, box_l, source(amplifier.kind, tap_ohm, zo));
    let least = driven.as_ref().and_then(Driven::least_modulus).map(|m| m.0);
    let against = Against {
        kind: amplifier.kind,
        tap_ohm,
        allow: amplifier.allow_ratio.map(|(least, most)| Allowed { least, most, note: amplifier.manual_note.clone() }),
    };
    let mut graded = grade(load, least, &against, zo);
    if assumed && graded.grade == Grade::Tolerated {
        graded.reasons.push(format!("the output impedance of {zo} ohm on the 8 ohm tap is assumed"));
    }
    let (shares, largest) = circuit_load::shares(&network, drivers);
    let band = meter::band(&network, drivers, &[], &[]);
    let widened = band.widened();
    let warnings = warnings(&network, drivers, amplifier, largest);
    LoadDoc {
        wiring: network.to_string(),
        load_ohm: load,
        tap_ohm,
        ratio: graded.ratio,
        grade: graded.grade,
        reasons: graded.reasons,
        meter_ohm: MeterBandDoc { expected: band.expected, low: widened.map(|w| w.0), high: widened.map(|w| w.1) },
        drivers: shares
            .into_iter()
            .map(|s| DriverDoc { driver: s.driver.to_string(), share: s.share, rated_w: s.rated_w, limiting: s.limiting })
            .collect(),
        largest_amp_w: largest,
        cautions: warnings.iter().map(text).chain(general(amplifier.kind)).collect(),
        warnings,
    }
}

fn warnings(network: &Network, drivers: &[Driver], amplifier: &Amplifier, largest: Option<f64>) -> Vec<Warning> {
    let mut out = Vec::new();
    let placed = network.drivers();
    let reversed = placed.iter().filter(|p| p.reversed).count();
    if reversed > 0 && reversed < placed.len() {
        out.push(Warning::MixedPolarity);
    }
    match (largest, amplifier.rated_w) {
        (Some(limit), Some(rated)) => out.push(Warning::Power(circuit_load::margin(limit, rated.value()))),
        (None, _) => out.push(Warning::NoRating),
        _ => {}
    }
    let lossless = |d: &&Driver| d.le_mh.is_some_and(|l| l > 0.0) && (d.l2_mh.is_none() || d.r2_ohm.is_none());
    let inside: Vec<&Driver> = drivers.iter().filter(|d| placed.iter().any(|p| p.label == d.label)).collect();
    out.extend(inside.iter().copied().filter(lossless).map(|d| Warning::LosslessCoil(d.label.clone())));
    if inside.iter().any(|d| !d.polarity_checked && d.re_ohm.is_some()) {
        out.push(Warning::PolarityUnchecked);
    }
    if let Some(note) = amplifier.manual_note.as_deref().map(str::trim).filter(|n| !n.is_empty()) {
        out.push(Warning::ManualNote(note.to_owned()));
    }
    out
}

/// What holds for every load of such an amplifier.
#[must_use]
pub fn general(kind: AmplifierKind) -> Vec<String> {
    let kind: &[&str] = match kind {
        AmplifierKind::Valve => &caution::VALVE,
        AmplifierKind::SolidState => &caution::SOLID_STATE,
    };
    kind.iter().chain(&caution::CABLE_AND_METER).chain([&caution::HEARING]).map(|t| (*t).to_owned()).collect()
}

/// `load`: a wiring in words, without a session.
///
/// # Errors
/// A wiring that cannot be read, a driver that is not used, numbers that cannot be.
pub fn load(text: &str, drivers: &[Driver], tap_ohm: f64, kind: AmplifierKind) -> Result<LoadDoc, Failure> {
    let labels: Vec<DriverLabel> = drivers.iter().map(|d| d.label.clone()).collect();
    if let Some(twice) = labels.iter().enumerate().find(|(i, l)| labels[..*i].contains(l)).map(|(_, l)| l) {
        return Err(RigError::DriverTwice(twice.clone()).into());
    }
    if !(tap_ohm > 0.0 && tap_ohm.is_finite()) {
        return Err(RigError::Tap(tap_ohm).into());
    }
    for d in drivers {
        if !(1.0..=128.0).contains(&d.nominal_ohm.value()) {
            return Err(RigError::Nominal(d.label.clone(), d.nominal_ohm).into());
        }
        if let Some(rated) = d.rated_w.filter(|w| w.value() <= 0.0) {
            return Err(RigError::Rated(d.label.clone(), rated).into());
        }
    }
    let network = parse_known(text, &labels)?;
    let used = network.drivers();
    let cut = DriverLabel::new(text.trim()).is_ok();
    if let Some(idle) = labels.iter().find(|l| !used.iter().any(|p| &p.label == *l)) {
        return Err(RigError::UnusedDriver { idle: idle.clone(), wiring: network.to_string(), cut }.into());
    }
    let amplifier = Amplifier {
        label: "amplifier".to_owned(),
        kind,
        rated_w: None,
        taps_ohm: Vec::new(),
        min_load_ohm: None,
        output_ohm_at_8: None,
        allow_ratio: None,
        manual_note: None,
    };
    let mut doc = judge(&network, drivers, None, &amplifier, tap_ohm);
    if let (true, Some(only)) = (cut, labels.first()) {
        doc.put_first(vec![Warning::OneDriver(only.clone())]);
    }
    Ok(doc)
}
