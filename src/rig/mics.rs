//! The predicted difference of two setups at every mic and blend of the sheet.

use crate::circuit::drive::Driven;
use crate::circuit::pickup::{Heard, SUM_VALID_TO_HZ, difference};
use crate::model::ids::{DriverLabel, MicName};
use crate::model::rig::{Rig, Setup};
use serde::Serialize;

/// What a mic or a blend should show between two setups.
#[derive(Debug, Clone, Serialize)]
pub struct AtMicDoc {
    /// The first setup.
    pub first: String,
    /// The second setup.
    pub second: String,
    /// The mic or blend.
    pub mic: String,
    /// The drivers it hears, as the sheet says.
    pub hears: Vec<String>,
    /// True for one cone: the curve is that of the drive, whatever cone and room do. False for several: a sum of equally far pistons.
    pub exact: bool,
    /// Where the curve ends to mean something; null for an exact one.
    pub valid_to_hz: Option<f64>,
    /// Frequencies, up to `valid_to_hz`; empty when nothing can be predicted.
    pub hz: Vec<f64>,
    /// First minus second.
    pub db: Vec<f64>,
    /// What the figures rest on, or what is missing for them.
    pub note: String,
}

const EXACT: &str =
    "one cone is heard: its drive, whatever the cone itself does. Sound of other cones that reaches the mic is left out";
const SUM: &str = "a sum of equally far pistons, up to 1 kHz: with several cones the place of the mic decides; what one driver loses another \
                   may gain, so the sum changes less than each cone";
const MISSING: &str = "several cones are heard: mms_g and sd_cm2 of each are wanted to predict their sum";

const CANCEL: &str = "the cones cancel in this sum, or one is not in both setups: nothing is predicted";

fn known(rig: &Rig, driver: &DriverLabel) -> bool {
    rig.drivers.iter().any(|d| &d.label == driver && d.mms_g.is_some() && d.sd_cm2.is_some())
}

/// Every mic that says what it hears, then every blend of such mics.
pub(crate) fn at_mics(rig: &Rig, first: (&Setup, &Driven), second: (&Setup, &Driven), hz: &[f64]) -> Vec<AtMicDoc> {
    let hears = |mic: &MicName| rig.mics.iter().find(|m| &m.name == mic).map(|m| m.hears.as_slice()).unwrap_or_default();
    let one = |driver: &DriverLabel, weight: f64| Heard { driver: driver.clone(), weight };
    let mut sources: Vec<(&MicName, Vec<Heard>)> =
        rig.mics.iter().map(|m| (&m.name, m.hears.iter().map(|d| one(d, 1.0)).collect())).collect();
    for blend in &rig.blends {
        // A mic that does not say what it hears leaves the blend without a prediction.
        if blend.of.iter().any(|m| hears(m).is_empty()) {
            continue;
        }
        let mut heard: Vec<Heard> = Vec::new();
        for (mic, gain) in blend.of.iter().zip(&blend.gains_db) {
            let weight = 10f64.powf(gain.value() / 20.0);
            for driver in hears(mic) {
                match heard.iter_mut().find(|h| &h.driver == driver) {
                    Some(there) => there.weight += weight,
                    None => heard.push(one(driver, weight)),
                }
            }
        }
        sources.push((&blend.name, heard));
    }
    let doc = |(mic, heard): (&MicName, Vec<Heard>)| {
        let exact = heard.len() == 1;
        let grid: Vec<f64> = hz.iter().copied().filter(|f| exact || *f <= SUM_VALID_TO_HZ * 1.0001).collect();
        let db = difference(first.1, second.1, &rig.drivers, &heard, &grid);
        let note = match (&db, exact) {
            (None, true) => "the cone is not in both setups",
            (None, false) if heard.iter().all(|h| known(rig, &h.driver)) => CANCEL,
            (None, false) => MISSING,
            (Some(_), true) => EXACT,
            (Some(_), false) => SUM,
        };
        AtMicDoc {
            first: first.0.name.to_string(),
            second: second.0.name.to_string(),
            mic: mic.to_string(),
            hears: heard.iter().map(|h| h.driver.to_string()).collect(),
            exact,
            valid_to_hz: (!exact).then_some(SUM_VALID_TO_HZ),
            hz: if db.is_some() { grid } else { Vec::new() },
            db: db.unwrap_or_default(),
            note: note.to_owned(),
        }
    };
    sources.into_iter().filter(|s| !s.1.is_empty()).map(doc).collect()
}
