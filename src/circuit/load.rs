//! Everything that can be said of a wiring on a tap before anything is connected: load, shares, the limiting driver.

use super::network::Network;
use super::solve::{self, Branch, Numbered};
use crate::model::ids::DriverLabel;
use crate::model::rig::Driver;

/// One driver's part.
#[derive(Debug, Clone, PartialEq)]
pub struct Share {
    /// The driver.
    pub driver: DriverLabel,
    /// Its share of the power, 0 to 1, on nominal ohms.
    pub share: f64,
    /// Its rated power.
    pub rated_w: Option<f64>,
    /// True when it limits the cab.
    pub limiting: bool,
}

/// Load of a network on nominal ohms.
#[must_use]
pub fn nominal(network: &Network, drivers: &[Driver]) -> Branch<f64> {
    solve::load(network, &|label| {
        drivers.iter().find(|d| &d.label == label).map_or(Branch::Open, |d| Branch::Value(d.nominal_ohm.value()))
    })
}

/// Shares of the power on nominal ohms, in the order of the text, and the largest amplifier power within the ratings that were entered:
/// min over drivers of rating / share. `None` when a rating is missing.
#[must_use]
pub fn shares(network: &Network, drivers: &[Driver]) -> (Vec<Share>, Option<f64>) {
    let placed = network.drivers();
    let of = |label: &DriverLabel| drivers.iter().find(|d| &d.label == label);
    let z: Vec<f64> = placed.iter().map(|p| of(&p.label).map_or(1.0, |d| d.nominal_ohm.value())).collect();
    let mut states = Vec::new();
    Numbered::new(network).share(&z, 1.0, 0.0, &mut states);
    let powers: Vec<f64> = states.iter().map(|s| s.v * s.i).collect();
    let total: f64 = powers.iter().sum();
    let mut out: Vec<Share> = placed
        .iter()
        .zip(&powers)
        .map(|(p, w)| Share {
            driver: p.label.clone(),
            share: w / total,
            rated_w: of(&p.label).and_then(|d| d.rated_w).map(|w| w.value()),
            limiting: false,
        })
        .collect();
    let limits: Option<Vec<f64>> = out.iter().map(|s| s.rated_w.map(|w| w / s.share)).collect();
    let largest = limits.as_ref().and_then(|l| l.iter().copied().reduce(f64::min));
    if let (Some(limits), Some(largest)) = (limits, largest) {
        for (share, limit) in out.iter_mut().zip(limits) {
            share.limiting = limit <= largest * (1.0 + 1e-9);
        }
    }
    (out, largest)
}

/// A clipped amplifier gives up to twice its rating: a square wave carries twice the power of the sine of the same peak (arithmetic).
pub const CLIPPING: f64 = 2.0;

/// An amplifier's rating held against the cab's. Ratings differ in method, so none of these is an all-clear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Margin {
    /// The rating alone is above the cab's.
    TooLarge {
        /// The amplifier's rating.
        amplifier_w: f64,
        /// The cab's.
        cab_w: f64,
    },
    /// In clipping the amplifier gives more than the cab's rating.
    AboveInClipping {
        /// The amplifier's rating.
        amplifier_w: f64,
        /// The cab's.
        cab_w: f64,
    },
    /// Twice the rating is not above the cab's.
    Below {
        /// The amplifier's rating.
        amplifier_w: f64,
        /// The cab's.
        cab_w: f64,
    },
}

/// Holds an amplifier's rating against the largest power within the ratings that were entered.
#[must_use]
pub fn margin(cab_w: f64, amplifier_w: f64) -> Margin {
    let slack = 1.0 + 1e-9;
    if amplifier_w > cab_w * slack {
        Margin::TooLarge { amplifier_w, cab_w }
    } else if amplifier_w * CLIPPING > cab_w * slack {
        Margin::AboveInClipping { amplifier_w, cab_w }
    } else {
        Margin::Below { amplifier_w, cab_w }
    }
}
