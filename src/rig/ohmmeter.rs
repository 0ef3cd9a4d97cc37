//! `meter`: judges an ohmmeter reading and keeps it with the time.

use crate::circuit::grade::{Against, Allowed, Grade, grade};
use crate::circuit::load::nominal;
use crate::circuit::meter::{Diagnosis, ReadingIs, diagnose, load_of_reading};
use crate::circuit::solve::Branch;
use crate::circuit::{Network, caution, parse_known};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::Clock;
use crate::model::rig::{Rig, Wiring};
use crate::model::session::{MeterRecord, MeterValue};
use crate::rig::error::RigError;
use crate::rig::gate::{self, Gate, GateDoc};
use crate::rig::load::output_ohm;
use crate::rig::wired::{amplifier, judged, labels, network};
use crate::store::Session;
use crate::units::Ohm;
use jiff::Timestamp;
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
    /// What the reading is: `as-intended`, `short`, `open`, `too-low`, `too-high`.
    pub reading_is: ReadingIs,
    /// True for a short, and for a load that must not be connected, by the sheet or by this reading.
    pub do_not_power: bool,
    /// Why not.
    pub do_not_power_because: Vec<String>,
    /// What to mind before the meter is held to the plug.
    pub before: &'static str,
    /// The gate's answers, this reading counted, for every setup that has this wiring.
    pub gate: Vec<GateDoc>,
    /// What else fits, nearest first.
    pub suspects: Vec<SuspectDoc>,
    /// What the meter cannot tell apart.
    pub cannot_tell_apart: Vec<String>,
    /// What to do next.
    pub next_step: String,
}

impl MeterDoc {
    /// True when the way ends here: not as intended, or a load that must not be connected and no reason typed for it.
    #[must_use]
    pub fn refused(&self) -> bool {
        !self.as_intended || self.do_not_power || !self.gate.is_empty() && self.gate.iter().all(GateDoc::refused)
    }
}

/// What the meter showed, and of what.
#[derive(Debug, Clone, Copy)]
pub struct Reading<'a> {
    /// A wiring, a setup, else a network text.
    pub wiring: &'a str,
    /// The reading.
    pub value: MeterValue,
    /// Why a refused setup is used all the same.
    pub load_reason: Option<&'a str>,
}

/// What was metered: the name that it is kept under, its network, and the setups that have it.
struct Found {
    name: String,
    network: Network,
    setups: Vec<SetupName>,
}

/// The wiring that a word names.
fn find(rig: &Rig, word: &str) -> Result<Found, Failure> {
    let by_name = rig.wirings.iter().find(|w| w.name.as_str() == word);
    let by_setup = || {
        let setup = rig.setups.iter().find(|s| s.name.as_str() == word)?;
        setup.wiring.as_ref().and_then(|w| rig.wiring(w))
    };
    let having = |wiring: &Wiring| -> Vec<SetupName> {
        rig.setups.iter().filter(|s| s.wiring.as_ref() == Some(&wiring.name)).map(|s| s.name.clone()).collect()
    };
    if let Some(wiring) = by_name {
        return Ok(Found { name: wiring.name.to_string(), network: network(rig, wiring)?, setups: having(wiring) });
    }
    if let Some(wiring) = by_setup() {
        let setups = having(wiring).into_iter().filter(|s| s.as_str() == word).collect();
        return Ok(Found { name: wiring.name.to_string(), network: network(rig, wiring)?, setups });
    }
    let labels = labels(rig);
    if labels.is_empty() {
        return Err(RigError::NoDrivers.into());
    }
    let network = parse_known(word, &labels)?;
    // A text that is one of the sheet's wirings in other words is kept under that wiring's name.
    let same = rig.wirings.iter().find(|w| parse_known(&w.network, &labels).is_ok_and(|n| n.canonical() == network.canonical()));
    Ok(match same {
        Some(wiring) => Found { name: wiring.name.to_string(), network, setups: having(wiring) },
        None => Found { name: network.canonical().to_string(), network, setups: Vec::new() },
    })
}

/// Why nothing may be powered: the reading itself, a load that it speaks of, a load that the sheet forbids on every tap in question.
fn because(rig: &Rig, found: &Found, diagnosis: &Diagnosis, value: MeterValue, gate: &[GateDoc]) -> Result<Vec<String>, Failure> {
    let mut out = Vec::new();
    match diagnosis.reading_is {
        ReadingIs::Short => out.push("near 0 ohm is a short: do not power on".to_owned()),
        ReadingIs::Open => out.push("an open circuit is not a load: do not power on".to_owned()),
        ReadingIs::TooLow | ReadingIs::TooHigh => {
            let spoken = load_of_reading(nominal(&found.network, &rig.drivers), &diagnosis.intended, value);
            let far = if diagnosis.reading_is == ReadingIs::TooLow { "low" } else { "high" };
            let forbidden = |tap: f64| forbids(rig, spoken, tap);
            let mut taps = Vec::new();
            for setup in found.setups.iter().filter_map(|s| rig.setup(s)) {
                taps.extend(judged(rig, setup)?.map(|l| l.tap_ohm));
            }
            let at = taps.into_iter().find(|tap| forbidden(*tap));
            match (at, spoken) {
                (Some(tap), Branch::Value(ohm)) => out.push(format!(
                    "far too {far}: the reading speaks of a load of about {ohm:.1} ohm on {tap} ohm: do not connect"
                )),
                (None, Branch::Value(ohm)) if found.setups.is_empty() && far_below(ohm, found, rig) => {
                    out.push(format!("far too low: the reading speaks of a load of about {ohm:.1} ohm: do not connect"));
                }
                _ => {}
            }
        }
        ReadingIs::AsIntended => {}
    }
    let by_sheet = |g: &GateDoc| g.refused() && g.objections.iter().any(|o| !o.kind.starts_with("read-"));
    if !gate.is_empty() && gate.iter().all(by_sheet) {
        out.extend(gate.iter().flat_map(|g| &g.objections).filter(|o| !o.kind.starts_with("read-")).map(|o| o.message.clone()));
    }
    Ok(out)
}

/// Without a tap to hold it against: under half of what the wiring was meant to be.
fn far_below(ohm: f64, found: &Found, rig: &Rig) -> bool {
    matches!(nominal(&found.network, &rig.drivers), Branch::Value(meant) if ohm < 0.5 * meant)
}

fn forbids(rig: &Rig, load: Branch<f64>, tap_ohm: f64) -> bool {
    let amplifier = amplifier(rig);
    let against = Against {
        kind: amplifier.kind,
        tap_ohm,
        allow: amplifier.allow_ratio.map(|(least, most)| Allowed { least, most, note: amplifier.manual_note.clone() }),
    };
    grade(load, None, &against, output_ohm(rig.amplifier.as_ref()).0).grade == Grade::DoNotConnect
}

/// A reading as it is typed: ohms with a point or a comma, or OL for open.
///
/// # Errors
/// `wrong-reading`: neither, or no reading that a meter shows.
pub fn read_value(text: &str) -> Result<MeterValue, Failure> {
    let plain = text.trim();
    if plain.eq_ignore_ascii_case("ol") || plain.eq_ignore_ascii_case("open") {
        return Ok(MeterValue::Open);
    }
    let pointed = if plain.contains('.') { plain.to_owned() } else { plain.replacen(',', ".", 1) };
    let wrong = |message: String| Failure::plain("wrong-reading", Fate::WrongUse, message, "type the ohms, or OL for open");
    let ohm = pointed.parse().map_err(|_| wrong(format!("wanted ohms, as in 13.2, or OL for open; {plain:?} is neither")))?;
    Ok(MeterValue::Ohm(Ohm::new(ohm).map_err(|e| wrong(e.to_string()))?))
}

/// Judges and keeps a reading.
///
/// # Errors
/// A wiring that cannot be read, a session without drivers.
pub fn meter(folder: &Path, reading: &Reading<'_>, clock: &dyn Clock) -> Result<MeterDoc, Failure> {
    meter_in(&mut Session::open_write(folder, clock.now())?, reading, clock.now())
}

/// The same in a session that is open.
///
/// # Errors
/// As [`meter`].
pub fn meter_in(session: &mut Session, reading: &Reading<'_>, now: Timestamp) -> Result<MeterDoc, Failure> {
    let rig = session.rig()?;
    let found = find(&rig, reading.wiring)?;
    let diagnosis = diagnose(&found.network, &rig.drivers, reading.value);
    let widened = diagnosis.intended.widened();
    if let Some((low, high)) = widened {
        let record = MeterRecord {
            wiring: found.name.clone(),
            reading: reading.value,
            as_intended: diagnosis.as_intended,
            low: Ohm::new(low)?,
            high: Ohm::new(high)?,
            at: now,
        };
        session.add_meter_reading(&record, now)?;
    }
    // The reading itself is always kept; a reason lifts what the gate says with it counted.
    if reading.load_reason.is_some_and(|r| !r.trim().is_empty()) {
        gate::pass(session, &found.setups, reading.load_reason, now)?;
    }
    let asked = Gate::of(session)?;
    let gate = found.setups.iter().map(|s| asked.doc(s)).collect::<Result<Vec<_>, _>>()?;
    let do_not_power_because = because(&rig, &found, &diagnosis, reading.value, &gate)?;
    let next_step = match do_not_power_because.as_slice() {
        [first, ..] if diagnosis.as_intended => {
            format!(
                "the wiring reads as intended, but it must not be powered: {first}; correct the sheet: cabjury rig FOLDER --sheet rig.toml"
            )
        }
        _ => diagnosis.next_step,
    };
    Ok(MeterDoc {
        wiring: found.name,
        expected_ohm: diagnosis.intended.expected,
        low_ohm: widened.map(|w| w.0),
        high_ohm: widened.map(|w| w.1),
        reading_ohm: match reading.value {
            MeterValue::Open => serde_json::json!("open"),
            MeterValue::Ohm(r) => serde_json::json!(r.value()),
        },
        as_intended: diagnosis.as_intended,
        reading_is: diagnosis.reading_is,
        do_not_power: !do_not_power_because.is_empty(),
        do_not_power_because,
        before: caution::BEFORE_METERING,
        gate,
        suspects: diagnosis.suspects.iter().map(|s| SuspectDoc { what: s.what.clone(), expected_ohm: s.expected }).collect(),
        cannot_tell_apart: diagnosis.cannot_tell_apart,
        next_step,
    })
}
