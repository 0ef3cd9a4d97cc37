//! What the driver model says of a session's rig: loads, shares and drawings for the setups, a predicted curve for each measured difference.

use crate::circuit::solve::Branch;
use crate::model::failure::Failure;
use crate::model::rig::Rig;
use crate::report::drawing::{Card, draw};
use crate::report::text::or_dash;
use crate::report::view::{DifferenceView, Report};
use crate::rig::cards::{RigDoc, SetupDoc, describe_session, network};
use crate::rig::gate::GateDoc;
use crate::rig::predicted::predicted;
use crate::rig::warning::{Warning, text};
use crate::store::Session;

/// Fills in what the rig sheet allows; a session without a sheet stays as it is.
///
/// # Errors
/// A wiring of the kept rig cannot be read.
pub(super) fn fill(report: &mut Report, session: &Session) -> Result<(), Failure> {
    let (rig, doc) = (&session.rig()?, describe_session(session)?);
    for setup in &mut report.setups {
        let Some(found) = doc.setups.iter().find(|d| d.setup == setup.name) else { continue };
        let load = &found.load;
        setup.network = Some(load.wiring.clone());
        setup.load = Some(ohms(load.load_ohm));
        setup.grade = Some(load.grade.name().to_owned());
        setup.reasons.clone_from(&load.reasons);
        setup.shares = load.drivers.iter().map(|d| (d.driver.clone(), d.share)).collect();
        if setup.meter.is_empty() {
            setup.meter.push(format!("not read; {} expected", band(found)));
        }
        setup.gate = found.gate.iter().flat_map(GateDoc::lines).filter(|l| !l.starts_with("next: ")).collect();
        setup.cautions = load.warnings.iter().filter(|w| at_the_drawing(w)).map(text).collect();
        setup.drawing = drawing(rig, &setup.name)?;
    }
    for difference in &mut report.differences {
        predict(difference, rig, &doc);
    }
    Ok(())
}

/// What belongs beside a drawing: powers, polarity, what the manual allows. What the model lacks belongs to the prediction.
fn at_the_drawing(warning: &Warning) -> bool {
    matches!(
        warning,
        Warning::Power(_) | Warning::NoRating | Warning::MixedPolarity | Warning::PolarityUnchecked | Warning::ManualNote(_)
    )
}

fn ohms(load: Branch<f64>) -> String {
    match load {
        Branch::Open => "open".to_owned(),
        Branch::Short => "short".to_owned(),
        Branch::Value(ohm) => format!("{ohm:.1} ohm"),
    }
}

fn band(setup: &SetupDoc) -> String {
    let meter = &setup.load.meter_ohm;
    let end = |v: Option<f64>| or_dash(v.map(|v| format!("{v:.1}")));
    format!("{} to {} ohm", end(meter.low), end(meter.high))
}

fn drawing(rig: &Rig, name: &str) -> Result<Option<String>, Failure> {
    let Some(setup) = rig.setups.iter().find(|s| s.name.as_str() == name) else { return Ok(None) };
    let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { return Ok(None) };
    let card = Card {
        title: name.to_owned(),
        network: network(rig, wiring)?,
        tap: setup.tap_ohm.map_or_else(String::new, |t| format!("{} ohm tap", t.value())),
        notes: Vec::new(),
        ohms: rig.drivers.iter().map(|d| (d.label.clone(), d.nominal_ohm.value())).collect(),
    };
    Ok(Some(draw(&[card])))
}

/// The curve that a mic should show by the driver model, beside the measured one.
fn predict(difference: &mut DifferenceView, rig: &Rig, doc: &RigDoc) {
    let Some(curve) = predicted(rig, doc, &difference.first, &difference.second, &difference.mic) else { return };
    let measured: Vec<(f64, Option<f64>)> = difference.bands.iter().map(|b| (b.hz, b.between_db)).collect();
    for (band, db) in difference.bands.iter_mut().zip(curve.beside(&measured)) {
        band.predicted_db = db;
    }
    if difference.bands.iter().all(|b| b.predicted_db.is_none()) {
        return;
    }
    difference.predicted_for = Some(format!(
        "what driver {} gets by the driver model ({} against {}), its mean set to that of the measured curve",
        curve.driver, difference.second, difference.first
    ));
}
