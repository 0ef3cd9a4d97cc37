//! `meter`: judges an ohmmeter reading and keeps it with the time.

use crate::circuit::meter::diagnose;
use crate::circuit::solve::Branch;
use crate::circuit::{Network, parse_known};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::Clock;
use crate::model::rig::Rig;
use crate::model::session::{MeterRecord, MeterValue};
use crate::rig::cards::network;
use crate::store::Session;
use crate::units::Ohm;
use serde::Serialize;
use std::path::Path;

/// Something that may be wrong.
#[derive(Debug, Clone, Serialize)]
pub struct SuspectDoc {
    /// What.
    pub what: String,
    /// What the meter would then read.
    pub expected_ohm: Branch<f64>,
}

/// The document of `meter`.
#[derive(Debug, Clone, Serialize)]
pub struct MeterDoc {
    /// The wiring that was metered.
    pub wiring: String,
    /// Expected.
    pub expected_ohm: Branch<f64>,
    /// Least.
    pub low_ohm: Option<f64>,
    /// Largest.
    pub high_ohm: Option<f64>,
    /// The reading; `"open"` for OL.
    pub reading_ohm: serde_json::Value,
    /// True when it lies in the interval.
    pub as_intended: bool,
    /// What else fits, nearest first.
    pub suspects: Vec<SuspectDoc>,
    /// What the meter cannot tell apart.
    pub cannot_tell_apart: Vec<String>,
    /// What to do next.
    pub next_step: String,
}

/// The wiring that a word names: a wiring, a setup, else a network text.
fn find(rig: &Rig, word: &str) -> Result<(String, Network), Failure> {
    let by_name = rig.wirings.iter().find(|w| w.name.as_str() == word);
    let by_setup = || {
        let setup = rig.setups.iter().find(|s| s.name.as_str() == word)?;
        setup.wiring.as_ref().and_then(|w| rig.wiring(w))
    };
    if let Some(wiring) = by_name.or_else(by_setup) {
        return Ok((wiring.name.to_string(), network(rig, wiring)?));
    }
    let labels: Vec<_> = rig.drivers.iter().map(|d| d.label.clone()).collect();
    if labels.is_empty() {
        let message = "the session's sheet has no drivers, so no reading can be expected";
        return Err(Failure::plain(
            "no-drivers",
            Fate::Refused,
            message,
            "read a rig sheet in with: cabjury rig FOLDER --sheet rig.toml",
        ));
    }
    let network = parse_known(word, &labels)?;
    // A text that is one of the sheet's wirings in other words is kept under that wiring's name.
    let same = rig.wirings.iter().find(|w| parse_known(&w.network, &labels).is_ok_and(|n| n.canonical() == network.canonical()));
    Ok((same.map_or_else(|| network.canonical().to_string(), |w| w.name.to_string()), network))
}

/// Judges and keeps a reading.
///
/// # Errors
/// A wiring that cannot be read, a session without drivers.
pub fn meter(folder: &Path, wiring: &str, reading: MeterValue, clock: &dyn Clock) -> Result<MeterDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let rig = session.rig()?;
    let (name, network) = find(&rig, wiring)?;
    let found = diagnose(&network, &rig.drivers, reading);
    let widened = found.intended.widened();
    if let Some((low, high)) = widened {
        let record = MeterRecord {
            wiring: name.clone(),
            reading,
            as_intended: found.as_intended,
            low: Ohm::new(low)?,
            high: Ohm::new(high)?,
            at: clock.now(),
        };
        session.add_meter_reading(&record, clock.now())?;
    }
    Ok(MeterDoc {
        wiring: name,
        expected_ohm: found.intended.expected,
        low_ohm: widened.map(|w| w.0),
        high_ohm: widened.map(|w| w.1),
        reading_ohm: match reading {
            MeterValue::Open => serde_json::json!("open"),
            MeterValue::Ohm(r) => serde_json::json!(r.value()),
        },
        as_intended: found.as_intended,
        suspects: found.suspects.iter().map(|s| SuspectDoc { what: s.what.clone(), expected_ohm: s.expected }).collect(),
        cannot_tell_apart: found.cannot_tell_apart,
        next_step: found.next_step,
    })
}
