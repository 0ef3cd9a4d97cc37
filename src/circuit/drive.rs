//! The voltage that each driver gets over frequency, from a source behind its tap: E_T = E8 sqrt(T/8), Zo_T = Zo8 T/8 (ideal transformer).

use super::driver::Model;
use super::network::Network;
use super::solve::{Branch, Numbered};
use crate::model::ids::DriverLabel;
use crate::model::rig::Driver;
use num_complex::Complex64;

/// Output impedance on the 8 ohm tap when nothing is stated: a valve amplifier's; assumed.
pub const VALVE_OUTPUT_OHM: f64 = 8.0;
/// The same for solid-state; assumed.
pub const SOLID_STATE_OUTPUT_OHM: f64 = 0.1;

/// The grid of frequencies: 1000 * 10^(n/40) Hz, n = -68..=52 (20 Hz to 20 kHz, 121 points).
#[must_use]
pub fn grid() -> Vec<f64> {
    (-68..=52).map(|n| 1000.0 * 10f64.powf(f64::from(n) / 40.0)).collect()
}

/// The source: 1 V open circuit on the 8 ohm tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Source {
    /// The tap in use; for solid-state amplifiers 8 (no transformer).
    pub tap_ohm: f64,
    /// Output impedance on the 8 ohm tap.
    pub output_ohm_at_8: f64,
}

/// A wiring with its drivers' models, ready for many frequencies.
#[derive(Debug, Clone)]
pub struct Driven {
    numbered: Numbered,
    labels: Vec<DriverLabel>,
    models: Vec<Model>,
    source: Source,
}

impl Driven {
    /// `None` when a driver of the network lacks figures. A closed box is shared equally by the wiring's drivers.
    #[must_use]
    pub fn new(network: &Network, drivers: &[Driver], box_l: Option<f64>, source: Source) -> Option<Self> {
        let placed = network.drivers();
        let share = box_l.map(|l| l / placed.len() as f64);
        let models: Option<Vec<Model>> =
            placed.iter().map(|p| drivers.iter().find(|d| d.label == p.label).and_then(|d| Model::of(d, share))).collect();
        let labels = placed.iter().map(|p| p.label.clone()).collect();
        Some(Self { numbered: Numbered::new(network), labels, models: models?, source })
    }

    /// The drivers' labels, in the order of the text.
    #[must_use]
    pub fn labels(&self) -> &[DriverLabel] {
        &self.labels
    }

    /// The drivers' models, in the same order.
    #[must_use]
    pub fn models(&self) -> &[Model] {
        &self.models
    }

    fn impedances(&self, hz: f64) -> Vec<Complex64> {
        self.models.iter().map(|m| m.impedance(hz)).collect()
    }

    /// Load impedance at a frequency.
    #[must_use]
    pub fn load(&self, hz: f64) -> Option<Complex64> {
        match self.numbered.load(&self.impedances(hz)) {
            Branch::Value(z) => Some(z),
            Branch::Open | Branch::Short => None,
        }
    }

    /// Voltage at each driver's terminals, + to -, for 1 V open circuit on the 8 ohm tap; in the order of [`Driven::labels`].
    #[must_use]
    pub fn voltages(&self, hz: f64) -> Vec<Complex64> {
        let (e, zo) = self.source.behind_tap();
        let mut states = Vec::new();
        self.numbered.share(&self.impedances(hz), e, zo, &mut states);
        states.iter().map(|s| s.v).collect()
    }

    /// Current through each driver, into its +.
    #[must_use]
    pub fn currents(&self, hz: f64) -> Vec<Complex64> {
        let (e, zo) = self.source.behind_tap();
        let mut states = Vec::new();
        self.numbered.share(&self.impedances(hz), e, zo, &mut states);
        states.iter().map(|s| s.i).collect()
    }

    /// Level at each driver's terminals over a grid: drivers x frequencies, 0 dB = 1 V.
    #[must_use]
    pub fn levels(&self, hz: &[f64]) -> Vec<Vec<f64>> {
        let mut out = vec![Vec::with_capacity(hz.len()); self.labels.len()];
        for f in hz {
            for (curve, v) in out.iter_mut().zip(self.voltages(*f)) {
                curve.push(20.0 * v.norm().log10());
            }
        }
        out
    }

    /// The smallest modulus of the load over 80 Hz to 5 kHz, and where: a scan of 1/400 decade, then golden section.
    #[must_use]
    pub fn least_modulus(&self) -> Option<(f64, f64)> {
        let modulus = |f: f64| self.load(f).map(|z| z.norm());
        let steps = ((5000f64 / 80.0).log10() * 400.0).ceil() as i32;
        let at = |k: f64| 80.0 * (5000f64 / 80.0).powf(k / f64::from(steps));
        let mut best = (modulus(80.0)?, 0);
        for k in 1..=steps {
            let z = modulus(at(f64::from(k)))?;
            if z < best.0 {
                best = (z, k);
            }
        }
        let (mut low, mut high) = (f64::from((best.1 - 1).max(0)), f64::from((best.1 + 1).min(steps)));
        for _ in 0..60 {
            let (a, b) = (low + (high - low) * 0.382, low + (high - low) * 0.618);
            if modulus(at(a))? < modulus(at(b))? { high = b } else { low = a }
        }
        let f = at(0.5 * (low + high));
        Some((modulus(f)?.min(best.0), f))
    }
}

/// Difference of two setups at one driver: first minus second, dB over a grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// The driver.
    pub driver: DriverLabel,
    /// 20 log10 |V first / V second|.
    pub db: Vec<f64>,
    /// Its largest magnitude.
    pub same_to_db: f64,
}

/// Differences at every driver that both setups have.
#[must_use]
pub fn differences(first: &Driven, second: &Driven, hz: &[f64]) -> Vec<Difference> {
    let (a, b) = (first.levels(hz), second.levels(hz));
    let mut out = Vec::new();
    for (label, curve) in first.labels.iter().zip(&a) {
        let Some(k) = second.labels.iter().position(|l| l == label) else { continue };
        let db: Vec<f64> = curve.iter().zip(&b[k]).map(|(x, y)| x - y).collect();
        let same_to_db = db.iter().fold(0.0f64, |m, d| m.max(d.abs()));
        out.push(Difference { driver: label.clone(), db, same_to_db });
    }
    out
}

/// Below this two setups give every driver the same voltage for every practical purpose (T1, T3: equal to rounding).
pub const SAME_DB: f64 = 1e-6;
