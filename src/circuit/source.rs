//! The amplifier as seen from the load: an ideal output transformer whose turns ratio goes with the root of the tap.

use super::drive::Source;
use num_complex::Complex64;

impl Source {
    /// Open-circuit voltage and output impedance behind the tap for 1 V open circuit on the 8 ohm tap: E_T = E8 sqrt(T/8), Zo_T = Zo8 T/8.
    #[must_use]
    pub fn behind_tap(&self) -> (Complex64, Complex64) {
        let t = self.tap_ohm / 8.0;
        (Complex64::new(t.sqrt(), 0.0), Complex64::new(self.output_ohm_at_8 * t, 0.0))
    }
}

/// Turns ratio, primary to secondary, that makes `secondary_ohm` look like `primary_ohm`: the root of their ratio
/// (T. R. Kuphaldt, Lessons in Electric Circuits, vol. II, "Impedance matching": 500 on 8 ohm needs 7.906).
#[must_use]
pub fn turns_ratio(primary_ohm: f64, secondary_ohm: f64) -> f64 {
    (primary_ohm / secondary_ohm).sqrt()
}

/// What the valves see when a load hangs on a tap: the load the amplifier was made for, times load over tap.
#[must_use]
pub fn reflected_ohm(made_for_ohm: f64, tap_ohm: f64, load_ohm: f64) -> f64 {
    made_for_ohm * load_ohm / tap_ohm
}

/// Output impedance and open-circuit voltage from the voltages across two loads at the same input, so that no output is ever left open:
/// Zo = (V2 - V1)/(V1/R1 - V2/R2), E = V1 (1 + Zo/R1). Each reading is (ohm, volt). `None` when the two currents are equal, so that
/// nothing follows (a pure current source), or a load is not above 0.
#[must_use]
pub fn from_two_loads(one: (f64, f64), other: (f64, f64)) -> Option<(f64, f64)> {
    let ((r1, v1), (r2, v2)) = (one, other);
    let slope = v1 / r1 - v2 / r2;
    let usable = r1 > 0.0 && r2 > 0.0 && slope.is_finite() && slope.abs() > 1e-12 * (v1 / r1).abs();
    usable.then(|| {
        let zo = (v2 - v1) / slope;
        (zo, v1 * (1.0 + zo / r1))
    })
}

/// The nominal impedance that a load counts as, of its nominal one and its smallest modulus: IEC 60268-5 requires the modulus to stay above 80 %
/// of nominal (clause from memory; the figure also in a loudspeaker maker's technical dictionary).
#[must_use]
pub fn effective_nominal(nominal_ohm: f64, min_modulus_ohm: f64) -> f64 {
    nominal_ohm.min(min_modulus_ohm / 0.8)
}
