//! What each of the demo's two drivers gets in each setup: level at its terminals for 1 V open circuit on the 8 ohm tap.
//!
//! Coil and cone as one impedance, Z = Re + sLe + (sL2 || R2) + Zm, Zm = Re Qms/Qes (x/Qms)/(x^2 + x/Qms + 1), x = j f/fs; the amplifier as a
//! source of impedance Zo T/8 and voltage sqrt(T/8) on the tap T (R. H. Small, "Direct-Radiator Loudspeaker System Analysis", JAES 1972, and
//! the ideal transformer; formulas from memory).

use super::material::Drive;
use crate::jobs::error::JobError;
use crate::model::explain::Fate;
use crate::model::rig::{Driver, Rig};
use std::f64::consts::TAU;
use std::ops::{Add, Div, Mul};

#[derive(Debug, Clone, Copy)]
struct Z(f64, f64);

impl Add for Z {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self(self.0 + o.0, self.1 + o.1)
    }
}

impl Mul for Z {
    type Output = Self;
    fn mul(self, o: Self) -> Self {
        Self(self.0 * o.0 - self.1 * o.1, self.0 * o.1 + self.1 * o.0)
    }
}

impl Div for Z {
    type Output = Self;
    fn div(self, o: Self) -> Self {
        let n = o.0 * o.0 + o.1 * o.1;
        Self((self.0 * o.0 + self.1 * o.1) / n, (self.1 * o.0 - self.0 * o.1) / n)
    }
}

fn impedance(d: &Driver, hz: f64) -> Option<Z> {
    let (re, fs, qms, qes) = (d.re_ohm?.value(), d.fs_hz?.value(), d.qms?, d.qes?);
    let w = TAU * hz;
    let coil = Z(re, w * d.le_mh? / 1000.0);
    let (l2, r2) = (Z(0.0, w * d.l2_mh? / 1000.0), Z(d.r2_ohm?.value(), 0.0));
    let x = Z(0.0, hz / fs);
    let q = x / Z(qms, 0.0);
    let cone = Z(re * qms / qes, 0.0) * q / (x * x + q + Z(1.0, 0.0));
    Some(coil + l2 * r2 / (l2 + r2) + cone)
}

fn db(v: Z) -> f64 {
    10.0 * (v.0 * v.0 + v.1 * v.1).log10()
}

/// The drives of all setups of the demo's rig: two drivers, in series or in parallel.
pub(super) fn drives(rig: &Rig) -> Result<Vec<Drive>, JobError> {
    rig.setups.iter().map(|s| setup(rig, s)).collect::<Option<_>>().ok_or_else(|| {
        JobError::plain("demo-rig", Fate::Failed, "the demo's rig sheet lacks a figure", "this is a defect of the demo")
    })
}

fn setup(rig: &Rig, setup: &crate::model::rig::Setup) -> Option<Drive> {
    let [a, b] = rig.drivers.as_slice() else { return None };
    let series = rig.wiring(setup.wiring.as_ref()?)?.network.contains('+');
    let tap = setup.tap_ohm?.value();
    let source = Z((tap / 8.0).sqrt(), 0.0);
    let out = Z(rig.amplifier.as_ref()?.output_ohm_at_8?.value() * tap / 8.0, 0.0);
    let mut drive = Drive { setup: setup.name.to_string(), a: Vec::new(), b: Vec::new() };
    // One fortieth of a decade, 20 Hz to 20 kHz.
    for n in -68..=52 {
        let hz = 1000.0 * 10f64.powf(f64::from(n) / 40.0);
        let (za, zb) = (impedance(a, hz)?, impedance(b, hz)?);
        let (va, vb) = if series {
            let current = source / (out + za + zb);
            (current * za, current * zb)
        } else {
            let both = za * zb / (za + zb);
            let v = source * both / (out + both);
            (v, v)
        };
        drive.a.push((hz, db(va)));
        drive.b.push((hz, db(vb)));
    }
    Some(drive)
}
