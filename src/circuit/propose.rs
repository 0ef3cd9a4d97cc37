//! Pairs of wirings of the drivers at hand that differ in how the drivers share, but present the same nominal load and so stay on one tap:
//! a comparison of such a pair speaks of the wiring alone.

use super::drive::{Driven, SAME_DB, Source, differences, grid};
use super::enumerate::wirings;
use super::load::nominal;
use super::network::Network;
use super::solve::Branch;
use crate::model::rig::Driver;

/// A proposal.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// One wiring.
    pub first: Network,
    /// The other.
    pub second: Network,
    /// The tap that fits both.
    pub tap_ohm: f64,
    /// Why this pair.
    pub why: String,
}

/// Proposals for the drivers at hand, up to four of them, on the taps at hand; the largest difference first, at most `most`.
#[must_use]
pub fn pairs(drivers: &[Driver], taps: &[f64], output_ohm_at_8: f64, most: usize) -> Vec<Proposal> {
    if !(2..=4).contains(&drivers.len()) {
        return Vec::new();
    }
    let labels: Vec<_> = drivers.iter().map(|d| d.label.clone()).collect();
    let all: Vec<(Network, f64)> = wirings(&labels)
        .into_iter()
        .filter_map(|n| match nominal(&n, drivers) {
            Branch::Value(z) => Some((n, z)),
            Branch::Open | Branch::Short => None,
        })
        .collect();
    let hz: Vec<f64> = grid().into_iter().filter(|f| (79.0..6_400.0).contains(f)).step_by(4).collect();
    let mut found: Vec<(f64, Proposal)> = Vec::new();
    for tap in taps {
        let fitting: Vec<_> = all.iter().filter(|(_, z)| (0.85..=1.0 / 0.85).contains(&(z / tap))).collect();
        for (i, (first, a)) in fitting.iter().enumerate() {
            for (second, b) in &fitting[i + 1..] {
                if (a / b - 1.0).abs() > 1e-6 {
                    continue;
                }
                let source = Source { tap_ohm: *tap, output_ohm_at_8 };
                let largest = Driven::new(first, drivers, None, source)
                    .zip(Driven::new(second, drivers, None, source))
                    .map(|(x, y)| differences(&x, &y, &hz).iter().map(|d| d.same_to_db).fold(0.0, f64::max));
                let why = match largest {
                    Some(db) if db < SAME_DB => continue,
                    Some(db) => format!(
                        "both load the {tap} ohm tap alike; a driver's drive differs by up to {db:.1} dB from 80 Hz to 6.3 kHz"
                    ),
                    None => format!("both load the {tap} ohm tap alike; driver figures are missing to predict the difference"),
                };
                found.push((
                    largest.unwrap_or(0.0),
                    Proposal { first: first.clone(), second: second.clone(), tap_ohm: *tap, why },
                ));
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().map(|f| f.1).take(most).collect()
}
