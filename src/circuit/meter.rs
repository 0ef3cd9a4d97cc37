//! The ohmmeter reading to expect, and what a wrong one may mean.
//!
//! A series-parallel network's resistance rises with each of its resistances, so the interval's ends are the network of all lows and of all
//! highs. Bands per driver (ours): measured 5 %, data sheet 10 %, nominal alone 0.65 to 1.00 (4 ohm: 0.52; a driver maker's FAQ); 0.3 ohm
//! more for meter and leads.

use super::enumerate::wirings;
use super::network::Network;
use super::solve::{self, Branch};
use crate::model::ids::DriverLabel;
use crate::model::rig::Driver;
use crate::model::session::MeterValue;
use serde::Serialize;

/// Meter and leads, after the leads were zeroed.
pub const LEADS_OHM: f64 = 0.3;

/// Least, expected and largest DC resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Least.
    pub low: Branch<f64>,
    /// Expected.
    pub expected: Branch<f64>,
    /// Largest.
    pub high: Branch<f64>,
}

fn driver_band(driver: &Driver) -> (f64, f64, f64) {
    let nominal = driver.nominal_ohm.value();
    match driver.re_ohm.map(|r| r.value()) {
        Some(re) if driver.re_measured => (0.95 * re, re, 1.05 * re),
        Some(re) => (0.90 * re, re, 1.10 * re),
        None if nominal <= 4.5 => (0.52 * nominal, 0.8 * nominal, nominal),
        None => (0.65 * nominal, 0.8 * nominal, nominal),
    }
}

/// The band of a network. Labels that `open` names are taken as open, those that `short` names as bridged.
#[must_use]
pub fn band(network: &Network, drivers: &[Driver], open: &[&DriverLabel], short: &[&DriverLabel]) -> Band {
    let at = |pick: fn((f64, f64, f64)) -> f64| {
        solve::load(network, &|label: &DriverLabel| {
            if open.contains(&label) {
                Branch::Open
            } else if short.contains(&label) {
                Branch::Short
            } else {
                drivers.iter().find(|d| &d.label == label).map_or(Branch::Open, |d| Branch::Value(pick(driver_band(d))))
            }
        })
    };
    Band { low: at(|b| b.0), expected: at(|b| b.1), high: at(|b| b.2) }
}

impl Band {
    /// Ends widened by meter and leads; `None` for an open band.
    #[must_use]
    pub fn widened(&self) -> Option<(f64, f64)> {
        let ohm = |b: Branch<f64>| match b {
            Branch::Open => None,
            Branch::Short => Some(0.0),
            Branch::Value(v) => Some(v),
        };
        Some(((ohm(self.low)? - LEADS_OHM).max(0.0), ohm(self.high)? + LEADS_OHM))
    }

    /// True when a reading lies in it. Above 1 kohm a reading counts as open.
    #[must_use]
    pub fn holds(&self, reading: MeterValue) -> bool {
        match (reading_ohm(reading), self.widened()) {
            (None, None) => true,
            (Some(r), Some((low, high))) => r >= low - 1e-9 && r <= high + 1e-9,
            _ => false,
        }
    }
}

/// Below this a reading is a short, whatever the leads add. Of a network under 1 ohm: below half of what is expected.
pub const SHORT_OHM: f64 = 0.5;

/// What a reading is, before anything is looked for that may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReadingIs {
    /// It lies in the band of the wiring as intended.
    AsIntended,
    /// Near zero.
    Short,
    /// No way through.
    Open,
    /// Below the band.
    TooLow,
    /// Above the band.
    TooHigh,
}

impl Band {
    /// What a reading is. Near zero is a short also where meter and leads would let it pass.
    #[must_use]
    pub fn reading_is(&self, reading: MeterValue) -> ReadingIs {
        let Some(ohm) = reading_ohm(reading) else {
            return if self.holds(reading) { ReadingIs::AsIntended } else { ReadingIs::Open };
        };
        let short_below = match self.expected {
            Branch::Value(expected) if expected < 2.0 * SHORT_OHM => expected / 2.0,
            _ => SHORT_OHM,
        };
        if ohm < short_below {
            ReadingIs::Short
        } else if self.holds(reading) {
            ReadingIs::AsIntended
        } else if self.widened().is_some_and(|(low, _)| ohm < low) {
            ReadingIs::TooLow
        } else {
            ReadingIs::TooHigh
        }
    }
}

/// The load that a reading speaks of: the nominal one, in the proportion of reading to expected reading.
#[must_use]
pub fn load_of_reading(nominal: Branch<f64>, band: &Band, reading: MeterValue) -> Branch<f64> {
    match (band.reading_is(reading), reading_ohm(reading), nominal, band.expected) {
        (ReadingIs::Short, ..) => Branch::Short,
        (_, None, ..) => Branch::Open,
        (_, Some(ohm), Branch::Value(nominal), Branch::Value(expected)) => Branch::Value(nominal * ohm / expected),
        (_, Some(ohm), ..) => Branch::Value(ohm),
    }
}

/// The reading in ohm; `None` for open.
#[must_use]
pub fn reading_ohm(reading: MeterValue) -> Option<f64> {
    match reading {
        MeterValue::Open => None,
        MeterValue::Ohm(r) if r.value() > 1000.0 => None,
        MeterValue::Ohm(r) => Some(r.value()),
    }
}

/// Something that may be wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// What, in words.
    pub what: String,
    /// What the meter would then read.
    pub expected: Branch<f64>,
    /// Number of single faults that it takes.
    faults: u32,
    /// Place in the order in which it was thought of.
    order: usize,
}

/// The judgement of a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// The band of the wiring as intended.
    pub intended: Band,
    /// What the reading is.
    pub reading_is: ReadingIs,
    /// True when the reading lies in it.
    pub as_intended: bool,
    /// What else fits, nearest first; empty when as intended.
    pub suspects: Vec<Suspect>,
    /// What the meter cannot tell apart.
    pub cannot_tell_apart: Vec<String>,
    /// What to do next.
    pub next_step: String,
}

fn hypotheses(network: &Network, drivers: &[Driver]) -> Vec<(String, Band, u32)> {
    let mut out = Vec::new();
    let labels: Vec<&DriverLabel> = network.drivers().iter().map(|p| &p.label).collect();
    for label in &labels {
        out.push((format!("{label} open or not connected"), band(network, drivers, &[label], &[]), 1));
    }
    for label in &labels {
        out.push((format!("{label} shorted or bypassed"), band(network, drivers, &[], &[label]), 1));
    }
    if labels.len() > 1 {
        for label in &labels {
            let single = Network::driver((*label).clone());
            out.push((format!("only {label} connected"), band(&single, drivers, &[], &[]), 1));
        }
    }
    if (2..=4).contains(&labels.len()) {
        let own = unreversed(network).canonical();
        let all: Vec<DriverLabel> = labels.iter().map(|l| (*l).clone()).collect();
        for other in wirings(&all) {
            if other.canonical() != own {
                let joints = if labels.len() == 2 { 1 } else { 2 };
                out.push((format!("wired as {other}"), band(&other, drivers, &[], &[]), joints));
            }
        }
    }
    for (factor, word) in [(2.0, "twice"), (0.5, "half")] {
        for label in &labels {
            let changed: Vec<Driver> =
                drivers.iter().map(|d| if &d.label == *label { scaled(d, factor) } else { d.clone() }).collect();
            out.push((format!("{label} is a driver of {word} the impedance"), band(network, &changed, &[], &[]), 1));
        }
    }
    out
}

fn scaled(driver: &Driver, factor: f64) -> Driver {
    let times = |ohm: crate::units::Ohm| crate::units::Ohm::new(ohm.value() * factor).unwrap_or(ohm);
    Driver { nominal_ohm: times(driver.nominal_ohm), re_ohm: driver.re_ohm.map(times), ..driver.clone() }
}

fn unreversed(network: &Network) -> Network {
    match network {
        Network::Driver(p) => Network::driver(p.label.clone()),
        Network::Series(m) => Network::series(m.iter().map(unreversed).collect()),
        Network::Parallel(m) => Network::parallel(m.iter().map(unreversed).collect()),
    }
}

fn distance(expected: Branch<f64>, reading: Option<f64>) -> f64 {
    match (expected, reading) {
        (Branch::Open, None) => 0.0,
        (Branch::Short, Some(r)) => r,
        (Branch::Value(e), Some(r)) => (r.max(0.05) / e.max(0.05)).ln().abs(),
        _ => f64::INFINITY,
    }
}

/// Judges a reading: every hypothesis whose band holds it is named, nearest first; nothing is narrowed that the meter cannot narrow.
#[must_use]
pub fn diagnose(network: &Network, drivers: &[Driver], reading: MeterValue) -> Diagnosis {
    let intended = band(network, drivers, &[], &[]);
    let reading_is = intended.reading_is(reading);
    let as_intended = reading_is == ReadingIs::AsIntended;
    let ohm = reading_ohm(reading);
    let mut fitting: Vec<Suspect> = hypotheses(network, drivers)
        .into_iter()
        .enumerate()
        .filter(|(_, (_, band, _))| band.holds(reading))
        .map(|(order, (what, band, faults))| Suspect { what, expected: band.expected, faults, order })
        .collect();
    fitting.sort_by(|a, b| {
        let near = |s: &Suspect| distance(s.expected, ohm);
        near(a).total_cmp(&near(b)).then(a.faults.cmp(&b.faults)).then(a.order.cmp(&b.order))
    });
    let cannot_tell_apart =
        if as_intended || fitting.len() > 1 { fitting.iter().map(|s| s.what.clone()).collect() } else { Vec::new() };
    let next_step = next_step(network, reading_is, &fitting);
    let suspects = if as_intended { Vec::new() } else { fitting };
    Diagnosis { intended, reading_is, as_intended, suspects, cannot_tell_apart, next_step }
}

fn next_step(network: &Network, reading_is: ReadingIs, fitting: &[Suspect]) -> String {
    let several = network.drivers().len() > 1;
    match (reading_is, fitting.first()) {
        (ReadingIs::AsIntended, Some(_)) if several => {
            "the reading fits, but it fits other wirings too: look at the joints, or read from the midpoint; polarity with a 1.5 V cell, every cone must move the same way".to_owned()
        }
        (ReadingIs::AsIntended, _) => {
            "the reading fits; check polarity with a 1.5 V cell: every cone must move the same way".to_owned()
        }
        (ReadingIs::Short, _) => {
            "a short: do not power on. Is the amplifier still connected? Pull the cable out of it, look for touching strands and a bridged jack, read the cable alone, then each driver, then read again".to_owned()
        }
        (ReadingIs::Open, _) => {
            "an open circuit: do not power on. Read each driver at its own terminals, then each link; a series link or a driver is open".to_owned()
        }
        (ReadingIs::TooLow | ReadingIs::TooHigh, Some(s)) => format!(
            "the reading fits \"{}\" best: look at that joint, read each driver alone at its terminals, then read again",
            s.what
        ),
        (ReadingIs::TooLow | ReadingIs::TooHigh, None) => {
            "nothing simple fits: is the amplifier still connected? Zero the leads, read each driver alone at its terminals".to_owned()
        }
    }
}
