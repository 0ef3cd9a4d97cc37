//! Impedance of a driver over frequency.
//!
//! Z(s) = Re + s Le + (s L2 R2)/(R2 + s L2) + Zm(s), Zm = Res (x/Qms)/(x^2 + x/Qms + 1), x = s/(2 pi fs), Res = Re Qms/Qes: the usual
//! two-inductor approximation of the lossy coil (Leach, JAES 50(6) 2002) on the motional branch of Thiele and Small. In a closed box Lces
//! becomes Lces/(1 + Vas/Vb) (Small 1972; from memory), that is fs rises by sqrt(1 + alpha) at equal Res and Cmes.

use crate::model::rig::Driver;
use num_complex::Complex64;
use std::f64::consts::PI;

/// The figures of the model, in SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Model {
    /// DC resistance.
    pub re: f64,
    /// Motional resistance.
    pub res: f64,
    /// Motional capacitance.
    pub cmes: f64,
    /// Motional inductance, box included.
    pub lces: f64,
    /// Coil inductance.
    pub le: f64,
    /// Second inductance and the resistance across it.
    pub lossy: Option<(f64, f64)>,
}

impl Model {
    /// The model of a driver whose sheet holds re, fs, qms and qes; `box_l`: its share of a closed box. `None` when a figure is missing.
    #[must_use]
    pub fn of(driver: &Driver, box_l: Option<f64>) -> Option<Self> {
        let (re, fs) = (driver.re_ohm?.value(), driver.fs_hz?.value());
        let (qms, qes) = (driver.qms?, driver.qes?);
        let alpha = match box_l {
            Some(litre) => driver.vas_l? / litre,
            None => 0.0,
        };
        let w = 2.0 * PI * fs;
        Some(Self {
            re,
            res: re * qms / qes,
            cmes: qes / (w * re),
            lces: re / (w * qes) / (1.0 + alpha),
            le: driver.le_mh.unwrap_or(0.0) * 1e-3,
            lossy: driver.l2_mh.zip(driver.r2_ohm).map(|(l, r)| (l * 1e-3, r.value())),
        })
    }

    /// Impedance at a frequency in hertz.
    #[must_use]
    pub fn impedance(&self, hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, 2.0 * PI * hz);
        let lossy = self.lossy.map_or(Complex64::new(0.0, 0.0), |(l2, r2)| s * l2 * r2 / (r2 + s * l2));
        self.re + s * self.le + lossy + self.motional(hz)
    }

    /// The motional branch alone: voltage across it is Bl times the cone's velocity.
    #[must_use]
    pub fn motional(&self, hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, 2.0 * PI * hz);
        let one = Complex64::new(1.0, 0.0);
        one / (one / self.res + one / (s * self.lces) + s * self.cmes)
    }
}

/// What is missing for the model, in words; empty when it is complete.
#[must_use]
pub fn missing(driver: &Driver) -> Vec<&'static str> {
    let mut out = Vec::new();
    let mut need = |there: bool, name| {
        if !there {
            out.push(name);
        }
    };
    need(driver.re_ohm.is_some(), "re_ohm");
    need(driver.fs_hz.is_some(), "fs_hz");
    need(driver.qms.is_some(), "qms");
    need(driver.qes.is_some(), "qes");
    out
}
