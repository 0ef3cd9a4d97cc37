//! A setup's parts, looked up in the sheet: wiring, network, tap, drivers over frequency, and its load judged.

use crate::circuit::drive::Driven;
use crate::circuit::{Network, parse_known};
use crate::model::failure::Failure;
use crate::model::ids::DriverLabel;
use crate::model::rig::{Amplifier, AmplifierKind, Rig, Setup, Wiring};
use crate::rig::load::{LoadDoc, judge, output_ohm, source};

/// The labels that a wiring of the sheet may hold.
#[must_use]
pub fn labels(rig: &Rig) -> Vec<DriverLabel> {
    rig.drivers.iter().map(|d| d.label.clone()).collect()
}

/// The network of a wiring of the sheet.
///
/// # Errors
/// The notation's fault.
pub fn network(rig: &Rig, wiring: &Wiring) -> Result<Network, Failure> {
    Ok(parse_known(&wiring.network, &labels(rig))?)
}

/// Reads every wiring of a sheet: a faulty one is found when the sheet is read in, not later.
///
/// # Errors
/// The first notation fault.
pub fn validate(rig: &Rig) -> Result<(), Failure> {
    for wiring in &rig.wirings {
        network(rig, wiring)?;
    }
    Ok(())
}

/// What a setup's load is held against: its tap; for solid-state the least load that the maker allows, whatever the setup says below it.
fn tap_of(rig: &Rig, setup: &Setup) -> Option<f64> {
    let tap = setup.tap_ohm.map(|t| t.value());
    let amplifier = rig.amplifier.as_ref();
    match amplifier.and_then(|a| a.min_load_ohm).map(|m| m.value()) {
        Some(least) if amplifier.is_some_and(|a| a.kind == AmplifierKind::SolidState) => {
            Some(tap.map_or(least, |t| t.max(least)))
        }
        least => tap.or(least),
    }
}

/// A setup's wiring, network, tap.
pub(super) fn parts<'a>(rig: &'a Rig, setup: &Setup) -> Result<Option<(&'a Wiring, Network, f64)>, Failure> {
    let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { return Ok(None) };
    let Some(tap) = tap_of(rig, setup) else { return Ok(None) };
    Ok(Some((wiring, network(rig, wiring)?, tap)))
}

/// A setup's drivers over frequency; none without wiring, tap or driver data.
///
/// # Errors
/// The notation's fault.
pub fn driven(rig: &Rig, setup: &Setup) -> Result<Option<Driven>, Failure> {
    let Some((wiring, network, tap)) = parts(rig, setup)? else { return Ok(None) };
    let (zo, _) = output_ohm(rig.amplifier.as_ref());
    let kind = rig.amplifier.as_ref().map_or(AmplifierKind::Valve, |a| a.kind);
    Ok(Driven::new(&network.canonical(), &rig.drivers, wiring.box_l, source(kind, tap, zo)))
}

/// The sheet's amplifier; without one a valve amplifier of which nothing is known.
#[must_use]
pub fn amplifier(rig: &Rig) -> Amplifier {
    rig.amplifier.clone().unwrap_or_else(|| Amplifier {
        label: "not described".to_owned(),
        kind: AmplifierKind::Valve,
        rated_w: None,
        taps_ohm: Vec::new(),
        min_load_ohm: None,
        output_ohm_at_8: None,
        allow_ratio: None,
        manual_note: None,
    })
}

/// A setup's load, judged; none without wiring or tap.
///
/// # Errors
/// The notation's fault.
pub fn judged(rig: &Rig, setup: &Setup) -> Result<Option<LoadDoc>, Failure> {
    let Some((wiring, network, tap)) = parts(rig, setup)? else { return Ok(None) };
    Ok(Some(judge(&network, &rig.drivers, wiring.box_l, &amplifier(rig), tap)))
}
