//! What a mic should show of a change of wiring.
//!
//! At a mic the sound is P(f) = sum over drivers of H(f) V(f), H fixed per driver and place. Where one cone alone is heard, H falls out of the
//! difference: it is exactly the difference of the drive, whatever the cone does. Where several are heard the sum depends on H; here every
//! cone is a piston and all are equally far away, so p goes with Sd Zm I / Bl (low-frequency piston sum). That holds to about 1 kHz.

use super::drive::Driven;
use super::driver::Model;
use crate::model::ids::DriverLabel;
use crate::model::rig::Driver;
use num_complex::Complex64;

/// Up to here a sum of several cones is worth printing.
pub const SUM_VALID_TO_HZ: f64 = 1000.0;

/// One cone as a mic hears it.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The driver.
    pub driver: DriverLabel,
    /// Factor on its pressure: a blend's gain.
    pub weight: f64,
}

/// Cone area over force factor, Bl = sqrt(Mms/Cmes), in SI units.
fn area_over_force(driver: &Driver) -> Option<f64> {
    let model = Model::of(driver, None)?;
    Some(driver.sd_cm2? * 1e-4 / (driver.mms_g? * 1e-3 / model.cmes).sqrt())
}

/// Level of the first setup over the second at a mic, in decibels over a grid. One cone: exact. Several: the piston sum. `None` when a
/// driver is not in both setups, several are heard and `mms_g` or `sd_cm2` of
/// one is not known, or the cones cancel to nothing.
#[must_use]
pub fn difference(first: &Driven, second: &Driven, drivers: &[Driver], heard: &[Heard], hz: &[f64]) -> Option<Vec<f64>> {
    let (a, b) = (pressures(first, drivers, heard, hz)?, pressures(second, drivers, heard, hz)?);
    let db: Vec<f64> = a.iter().zip(&b).map(|(x, y)| 20.0 * (x.norm() / y.norm()).log10()).collect();
    // Cones that cancel to nothing have no level.
    db.iter().all(|v| v.is_finite()).then_some(db)
}

fn pressures(driven: &Driven, drivers: &[Driver], heard: &[Heard], hz: &[f64]) -> Option<Vec<Complex64>> {
    let places: Option<Vec<usize>> = heard.iter().map(|h| driven.labels().iter().position(|l| *l == h.driver)).collect();
    let places = places.filter(|p| !p.is_empty())?;
    if let [only] = places.as_slice() {
        return Some(hz.iter().map(|f| driven.voltages(*f)[*only]).collect());
    }
    let factors: Option<Vec<f64>> =
        heard.iter().map(|h| Some(h.weight * area_over_force(drivers.iter().find(|d| d.label == h.driver)?)?)).collect();
    let factors = factors?;
    let sum = |f: f64| -> Complex64 {
        let currents = driven.currents(f);
        places.iter().zip(&factors).map(|(k, w)| currents[*k] * driven.models()[*k].motional(f) * *w).sum()
    };
    Some(hz.iter().map(|f| sum(*f)).collect())
}
