//! Do two setups do the same to every driver? Judged by the voltages that the drivers get over frequency, not by the shape of the network:
//! `(A + B) || (C + D)` and `(A || C) + (B || D)` look unlike, yet with A like C and B like D no driver can tell them apart.

use super::drive::Driven;
use num_complex::Complex64;

/// How the drivers' voltages of two setups compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sameness {
    /// The same on every driver at every frequency.
    Same,
    /// The same, every driver turned round: absolute polarity.
    Turned,
    /// The same in size, some drivers turned round against the others.
    Polarity,
    /// The same but for one level, first over second, in decibels.
    Level(f64),
    /// Something else.
    Different,
}

/// Relative difference of two voltages that counts as rounding.
const ROUNDING: f64 = 1e-7;

/// Compares two setups over a grid. Drivers that only one of them has make them different.
#[must_use]
pub fn sameness(first: &Driven, second: &Driven, hz: &[f64]) -> Sameness {
    let place = |l| second.labels().iter().position(|other| other == l);
    let places: Option<Vec<usize>> = first.labels().iter().map(place).collect();
    let Some(places) = places.filter(|p| p.len() == second.labels().len()) else { return Sameness::Different };
    let mut ratios: Vec<Complex64> = Vec::with_capacity(hz.len() * places.len());
    for f in hz {
        let (a, b) = (first.voltages(*f), second.voltages(*f));
        ratios.extend(a.iter().zip(&places).map(|(v, k)| v / b[*k]));
    }
    let Some(one) = ratios.first().copied() else { return Sameness::Different };
    let all = |wanted: Complex64| ratios.iter().all(|r| (r - wanted).norm() < ROUNDING * wanted.norm());
    let real = |x: f64| Complex64::new(x, 0.0);
    if all(real(1.0)) {
        Sameness::Same
    } else if all(real(-1.0)) {
        Sameness::Turned
    } else if ratios.iter().all(|r| (r - 1.0).norm() < ROUNDING || (r + 1.0).norm() < ROUNDING) {
        Sameness::Polarity
    } else if one.im.abs() < ROUNDING * one.norm() && all(real(one.re)) {
        Sameness::Level(20.0 * one.norm().log10())
    } else {
        Sameness::Different
    }
}

impl Sameness {
    /// In plain words; none when they differ in earnest.
    #[must_use]
    pub fn words(self) -> Option<String> {
        match self {
            Self::Same => {
                Some("give every driver the same voltage: what is heard would be the tap, the take or a fault".to_owned())
            }
            Self::Turned => {
                Some("give every driver the same voltage, all turned round: only absolute polarity differs".to_owned())
            }
            Self::Polarity => Some(
                "give every driver the same voltage, but turn some round against the others: a mic on one cone hears no other \
                 level, a mic that hears several does"
                    .to_owned(),
            ),
            Self::Level(db) => Some(format!(
                "give every driver the same voltage but for {db:+.1} dB on all of them alike: with loudness matched, what is \
                 heard would be the tap, the take or a fault"
            )),
            Self::Different => None,
        }
    }
}
