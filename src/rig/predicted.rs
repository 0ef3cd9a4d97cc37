//! What the driver model expects a mic to show between two setups, beside what was measured.

use crate::model::rig::Rig;
use crate::rig::cards::RigDoc;

/// A predicted curve, second minus first.
#[derive(Debug, Clone)]
pub struct Predicted {
    /// The driver that the mic hears.
    pub driver: String,
    /// Frequencies.
    pub hz: Vec<f64>,
    /// Levels.
    pub db: Vec<f64>,
}

/// What one driver gets in the second setup against the first, for a mic that hears this driver alone; none for any other mic.
#[must_use]
pub fn predicted(rig: &Rig, doc: &RigDoc, first: &str, second: &str, mic: &str) -> Option<Predicted> {
    let [driver] = rig.mics.iter().find(|m| m.name.as_str() == mic)?.hears.as_slice() else { return None };
    let pair = |first: &str, second: &str| {
        doc.differences.iter().find(|d| d.first == first && d.second == second && d.driver == driver.as_str())
    };
    // The model's difference is first minus second, the measured one second minus first.
    let (curve, sign) = match (pair(first, second), pair(second, first)) {
        (Some(curve), _) => (curve, -1.0),
        (None, Some(curve)) => (curve, 1.0),
        (None, None) => return None,
    };
    let db = curve.db.iter().map(|db| sign * db).collect();
    Some(Predicted { driver: driver.to_string(), hz: curve.hz.clone(), db })
}

impl Predicted {
    /// The mean over each one-third octave, moved so that its mean is that of the measured bands: the loudness difference was taken out of
    /// those. `measured` holds (centre, level) of every band.
    #[must_use]
    pub fn beside(&self, measured: &[(f64, Option<f64>)]) -> Vec<Option<f64>> {
        // Edges of a one-third octave: a twentieth of a decade to both sides (IEC 61260-1).
        let mean = |centre: f64| {
            let inside = self.hz.iter().zip(&self.db).filter(|(hz, _)| (*hz / centre).log10().abs() < 0.0501);
            let (sum, n) = inside.fold((0.0, 0u32), |(s, n), (_, db)| (s + db, n + 1));
            (n > 0).then(|| sum / f64::from(n))
        };
        let mut bands: Vec<Option<f64>> = measured.iter().map(|(hz, _)| mean(*hz)).collect();
        let gaps: Vec<f64> = measured.iter().zip(&bands).filter_map(|(m, p)| Some(m.1? - (*p)?)).collect();
        if gaps.is_empty() {
            return vec![None; bands.len()];
        }
        let shift = gaps.iter().sum::<f64>() / gaps.len() as f64;
        bands.iter_mut().flatten().for_each(|p| *p += shift);
        bands
    }
}
