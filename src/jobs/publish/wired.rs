//! What the driver model says of a session's rig: loads, shares and drawings for the setups, a predicted curve for each measured difference.

use crate::circuit::solve::Branch;
use crate::jobs::error::JobError;
use crate::jobs::rig::{RigDoc, SetupDoc, describe, network};
use crate::model::rig::Rig;
use crate::report::drawing::{Card, draw};
use crate::report::numbers::or_dash;
use crate::report::view::{DifferenceView, Report};

/// Fills in what the rig sheet allows; a session without a sheet stays as it is.
///
/// # Errors
/// A wiring of the kept rig cannot be read.
pub(super) fn fill(report: &mut Report, rig: &Rig) -> Result<(), JobError> {
    let doc = describe(rig)?;
    for setup in &mut report.setups {
        let Some(found) = doc.setups.iter().find(|d| d.setup == setup.name) else { continue };
        let load = &found.load;
        setup.network = Some(load.wiring.clone());
        setup.load = Some(ohms(load.load_ohm));
        setup.grade = Some(load.grade.name().to_owned());
        setup.reasons.clone_from(&load.reasons);
        setup.shares = load.drivers.iter().map(|d| (d.driver.clone(), d.share)).collect();
        if setup.meter.is_empty() {
            setup.meter.push(format!("no reading was taken down; {} expected", band(found)));
        }
        setup.drawing = drawing(rig, &setup.name)?;
    }
    for difference in &mut report.differences {
        predict(difference, rig, &doc);
    }
    Ok(())
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

fn drawing(rig: &Rig, name: &str) -> Result<Option<String>, JobError> {
    let Some(setup) = rig.setups.iter().find(|s| s.name.as_str() == name) else { return Ok(None) };
    let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { return Ok(None) };
    let card = Card {
        title: name.to_owned(),
        network: network(rig, wiring)?,
        tap: setup.tap_ohm.map_or_else(String::new, |t| format!("{} ohm tap", t.value())),
        ohms: rig.drivers.iter().map(|d| (d.label.clone(), d.nominal_ohm.value())).collect(),
    };
    Ok(Some(draw(&[card])))
}

/// What one driver gets in the second setup against the first, for a mic that hears this driver alone. The mean is set to that of the
/// measured curve, from which the difference in loudness was taken out.
fn predict(difference: &mut DifferenceView, rig: &Rig, doc: &RigDoc) {
    let Some(mic) = rig.mics.iter().find(|m| m.name.as_str() == difference.mic) else { return };
    let [driver] = mic.hears.as_slice() else { return };
    let pair = |first: &str, second: &str| {
        doc.differences.iter().find(|d| d.first == first && d.second == second && d.driver == driver.as_str())
    };
    // The model's difference is first minus second, the measured one second minus first.
    let (curve, sign) = match (pair(&difference.first, &difference.second), pair(&difference.second, &difference.first)) {
        (Some(curve), _) => (curve, -1.0),
        (None, Some(curve)) => (curve, 1.0),
        (None, None) => return,
    };
    for band in &mut difference.bands {
        // Edges of a one-third octave: a twentieth of a decade to both sides (IEC 61260-1).
        let inside: Vec<f64> = curve
            .hz
            .iter()
            .zip(&curve.db)
            .filter(|(hz, _)| (*hz / band.hz).log10().abs() < 0.0501)
            .map(|(_, db)| sign * db)
            .collect();
        band.predicted_db = (!inside.is_empty()).then(|| inside.iter().sum::<f64>() / inside.len() as f64);
    }
    let gaps: Vec<f64> = difference.bands.iter().filter_map(|b| Some(b.between_db? - b.predicted_db?)).collect();
    if gaps.is_empty() {
        return;
    }
    let shift = gaps.iter().sum::<f64>() / gaps.len() as f64;
    for predicted in difference.bands.iter_mut().filter_map(|b| b.predicted_db.as_mut()) {
        *predicted += shift;
    }
    difference.predicted_for = Some(format!(
        "what driver {driver} gets by the driver model ({} against {}), its mean set to that of the measured curve",
        difference.second, difference.first
    ));
}
