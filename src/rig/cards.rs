//! `rig`: reads the rig sheet in, and says of every setup what can be said before it is wired.

use crate::circuit::drive::{Driven, differences, grid};
use crate::circuit::driver::missing;
use crate::circuit::grade::Grade;
use crate::circuit::same::sameness;
use crate::circuit::{Network, parse_known, propose};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{DriverLabel, MicName};
use crate::model::outside::Clock;
use crate::model::rig::{Amplifier, AmplifierKind, Rig, Setup, Wiring};
use crate::model::session::Take;
use crate::rig::load::{LoadDoc, judge, output_ohm, source};
use crate::rig::mics::{AtMicDoc, at_mics};
use crate::store::Session;
use serde::Serialize;
use std::path::Path;

/// A curve at one driver.
#[derive(Debug, Clone, Serialize)]
pub struct DriveDoc {
    /// The driver.
    pub driver: String,
    /// Frequencies.
    pub hz: Vec<f64>,
    /// Level at its terminals for 1 V open circuit on the 8 ohm tap; 0 dB = 1 V.
    pub db: Vec<f64>,
}

/// One setup.
#[derive(Debug, Clone, Serialize)]
pub struct SetupDoc {
    /// Its name.
    pub setup: String,
    /// Everything of `load`.
    #[serde(flatten)]
    pub load: LoadDoc,
    /// Smallest impedance over 80 Hz to 5 kHz; null without driver data.
    pub min_modulus_ohm: Option<f64>,
    /// Where.
    pub min_modulus_hz: Option<f64>,
    /// Drive per driver; empty without driver data.
    pub drive: Vec<DriveDoc>,
}

/// The difference of two setups at one driver.
#[derive(Debug, Clone, Serialize)]
pub struct DifferenceDoc {
    /// The first setup.
    pub first: String,
    /// The second setup.
    pub second: String,
    /// The driver.
    pub driver: String,
    /// Frequencies.
    pub hz: Vec<f64>,
    /// First minus second.
    pub db: Vec<f64>,
    /// Largest magnitude.
    pub same_to_db: f64,
}

/// A pair of wirings that stays on one tap.
#[derive(Debug, Clone, Serialize)]
pub struct ProposalDoc {
    /// One wiring.
    pub first: String,
    /// The other.
    pub second: String,
    /// The tap.
    pub tap_ohm: f64,
    /// Why.
    pub why: String,
}

/// The document of `rig`.
#[derive(Debug, Clone, Serialize)]
pub struct RigDoc {
    /// The setups that have a wiring and a tap.
    pub setups: Vec<SetupDoc>,
    /// Differences of every pair of them.
    pub differences: Vec<DifferenceDoc>,
    /// The same at every mic that says what it hears, and every blend.
    pub at_mics: Vec<AtMicDoc>,
    /// Pairs of wirings of these drivers that differ in how they share but stay on one tap.
    pub proposals: Vec<ProposalDoc>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

impl RigDoc {
    /// True when some load must not be connected.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.setups.iter().any(|s| s.load.grade == Grade::DoNotConnect)
    }
}

fn labels(rig: &Rig) -> Vec<DriverLabel> {
    rig.drivers.iter().map(|d| d.label.clone()).collect()
}

/// The network of a wiring of the sheet.
///
/// # Errors
/// The notation's fault.
pub fn network(rig: &Rig, wiring: &Wiring) -> Result<Network, Failure> {
    Ok(parse_known(&wiring.network, &labels(rig))?)
}

/// Reads every wiring of a sheet: a faulty one is found when the sheet is read in, not later.
///
/// # Errors
/// The first notation fault.
pub fn validate(rig: &Rig) -> Result<(), Failure> {
    for wiring in &rig.wirings {
        network(rig, wiring)?;
    }
    Ok(())
}

/// A setup's wiring, network, tap.
fn parts<'a>(rig: &'a Rig, setup: &Setup) -> Result<Option<(&'a Wiring, Network, f64)>, Failure> {
    let Some(wiring) = setup.wiring.as_ref().and_then(|w| rig.wiring(w)) else { return Ok(None) };
    let tap = setup.tap_ohm.or_else(|| rig.amplifier.as_ref().and_then(|a| a.min_load_ohm));
    let Some(tap) = tap else { return Ok(None) };
    Ok(Some((wiring, network(rig, wiring)?, tap.value())))
}

/// A setup's drivers over frequency; none without wiring, tap or driver data.
///
/// # Errors
/// The notation's fault.
pub fn driven(rig: &Rig, setup: &Setup) -> Result<Option<Driven>, Failure> {
    let Some((wiring, network, tap)) = parts(rig, setup)? else { return Ok(None) };
    let (zo, _) = output_ohm(rig.amplifier.as_ref());
    let kind = rig.amplifier.as_ref().map_or(AmplifierKind::Valve, |a| a.kind);
    Ok(Driven::new(&network.canonical(), &rig.drivers, wiring.box_l, source(kind, tap, zo)))
}

/// How the wirings of two setups differ, `wiring: this against that`, and in plain words when no driver can tell the difference. None when
/// they are one wiring, however it is written. A wiring that cannot be read is compared as text.
#[must_use]
pub fn wiring_differs(rig: &Rig, first: &Setup, second: &Setup) -> Option<String> {
    let of = |s: &Setup| s.wiring.as_ref().and_then(|w| rig.wiring(w));
    let (a, b) = (of(first)?, of(second)?);
    let said = format!("wiring: {} against {}", a.network.trim(), b.network.trim());
    let (Ok(x), Ok(y)) = (network(rig, a), network(rig, b)) else {
        return (a.network.trim() != b.network.trim()).then_some(said);
    };
    if x.canonical() == y.canonical() {
        return None;
    }
    let pair = driven(rig, first).ok().flatten().zip(driven(rig, second).ok().flatten());
    let words = pair.and_then(|(p, q)| sameness(&p, &q, &grid()).words());
    Some(words.map_or_else(|| said.clone(), |w| format!("{said} (these two {w})")))
}

fn setup_doc(rig: &Rig, amplifier: &Amplifier, setup: &Setup) -> Result<Option<SetupDoc>, Failure> {
    let Some((wiring, network, tap)) = parts(rig, setup)? else { return Ok(None) };
    let mut load = judge(&network, &rig.drivers, wiring.box_l, amplifier, tap);
    let used = network.drivers();
    for idle in rig.drivers.iter().filter(|d| !used.iter().any(|p| p.label == d.label)) {
        load.cautions.insert(0, format!("Driver {} is in the sheet but not in this wiring.", idle.label));
    }
    let on_taps = amplifier.taps_ohm.is_empty() || amplifier.taps_ohm.iter().any(|t| (t.value() - tap).abs() < 1e-9);
    if amplifier.kind == AmplifierKind::Valve && !on_taps {
        load.cautions.insert(0, format!("The amplifier has no {tap} ohm tap in the sheet."));
    }
    let driven = driven(rig, setup)?;
    let figures = |label: &DriverLabel| {
        let missing = rig.drivers.iter().find(|d| &d.label == label).map(missing).unwrap_or_default();
        (!missing.is_empty()).then(|| format!("{} of driver {label}", missing.join(", ")))
    };
    let lacking: Vec<String> = used.iter().filter_map(|p| figures(&p.label)).collect();
    if !lacking.is_empty() {
        load.cautions.insert(0, format!("What each driver gets is not predicted; the sheet lacks {}.", lacking.join("; ")));
    }
    let least = driven.as_ref().and_then(Driven::least_modulus);
    let hz = grid();
    let drive = driven.map_or_else(Vec::new, |d| {
        let levels = d.levels(&hz);
        d.labels().iter().zip(levels).map(|(l, db)| DriveDoc { driver: l.to_string(), hz: hz.clone(), db }).collect()
    });
    Ok(Some(SetupDoc {
        setup: setup.name.to_string(),
        load,
        min_modulus_ohm: least.map(|m| m.0),
        min_modulus_hz: least.map(|m| m.1),
        drive,
    }))
}

/// Everything that can be said of a rig.
///
/// # Errors
/// A wiring that cannot be read.
pub fn describe(rig: &Rig) -> Result<RigDoc, Failure> {
    let assumed = Amplifier {
        label: "not described".to_owned(),
        kind: AmplifierKind::Valve,
        rated_w: None,
        taps_ohm: Vec::new(),
        min_load_ohm: None,
        output_ohm_at_8: None,
        allow_ratio: None,
        manual_note: None,
    };
    let amplifier = rig.amplifier.as_ref().unwrap_or(&assumed);
    let mut setups = Vec::new();
    for setup in &rig.setups {
        setups.extend(setup_doc(rig, amplifier, setup)?);
    }
    let (hz, mut pairs, mut mics, mut warnings) = (grid(), Vec::new(), Vec::new(), Vec::new());
    for (i, first) in rig.setups.iter().enumerate() {
        for second in &rig.setups[i + 1..] {
            let (Some(a), Some(b)) = (driven(rig, first)?, driven(rig, second)?) else { continue };
            let found = differences(&a, &b, &hz);
            if let Some(words) = sameness(&a, &b, &hz).words() {
                warnings.push(format!("{} and {} {words}", first.name, second.name));
            }
            mics.extend(at_mics(rig, (first, &a), (second, &b), &hz));
            if first.tap_ohm != second.tap_ohm && first.wiring != second.wiring {
                warnings.push(format!(
                    "{} and {} differ in wiring and tap together: a verdict cannot say which of the two was heard",
                    first.name, second.name
                ));
            }
            pairs.extend(found.into_iter().map(|d| DifferenceDoc {
                first: first.name.to_string(),
                second: second.name.to_string(),
                driver: d.driver.to_string(),
                hz: hz.clone(),
                db: d.db,
                same_to_db: d.same_to_db,
            }));
        }
    }
    let taps: Vec<f64> = amplifier.taps_ohm.iter().map(|t| t.value()).collect();
    let (zo, _) = output_ohm(rig.amplifier.as_ref());
    let proposals = propose::pairs(&rig.drivers, &taps, zo, 3)
        .into_iter()
        .map(|p| ProposalDoc { first: p.first.to_string(), second: p.second.to_string(), tap_ohm: p.tap_ohm, why: p.why })
        .collect();
    Ok(RigDoc { setups, differences: pairs, at_mics: mics, proposals, warnings })
}

/// Takes that were recorded under a part of the rig that the new sheet changes.
fn concerned<'a>(old: &Rig, new: &Rig, takes: &'a [Take]) -> Vec<&'a Take> {
    let part = |rig: &Rig, take: &Take| {
        let setup = take.setup.as_ref().and_then(|s| rig.setup(s)).cloned();
        let wiring = setup.as_ref().and_then(|s| s.wiring.as_ref()).and_then(|w| rig.wiring(w)).cloned();
        let drivers: Vec<_> = wiring
            .as_ref()
            .and_then(|w| network(rig, w).ok())
            .map(|n| n.drivers().iter().filter_map(|p| rig.drivers.iter().find(|d| d.label == p.label)).cloned().collect())
            .unwrap_or_default();
        let amplifier = setup.as_ref().and_then(|s| s.wiring.as_ref()).and(rig.amplifier.clone());
        (setup, wiring, drivers, amplifier)
    };
    takes
        .iter()
        .filter(|t| t.setup.is_some() && t.withdrawn.is_none() && !described_only(old, new, t) && part(old, t) != part(new, t))
        .collect()
}

/// A setup that had nothing but its name may be described later, under the same name and with the take's mic in the sheet.
fn described_only(old: &Rig, new: &Rig, take: &Take) -> bool {
    let bare = |name| old.setup(name).is_some_and(|s| s.wiring.is_none() && s.tap_ohm.is_none());
    let mic = new.mics.is_empty() || take.mic == MicName::main() || new.mics.iter().any(|m| m.name == take.mic);
    take.setup.as_ref().is_some_and(|name| bare(name) && new.setup(name).is_some()) && mic
}

/// Reads a sheet into a session (if one is given) and describes the rig.
///
/// # Errors
/// A faulty sheet or wiring; a change under which takes were recorded.
pub fn rig(folder: &Path, sheet: Option<Rig>, clock: &dyn Clock) -> Result<RigDoc, Failure> {
    let Some(new) = sheet else { return describe(&Session::open_read(folder)?.rig()?) };
    validate(&new)?;
    let mut session = Session::open_write(folder, clock.now())?;
    let (old, takes) = (session.rig()?, session.takes()?);
    let concerned = concerned(&old, &new, &takes);
    if !concerned.is_empty() {
        let list: Vec<String> = concerned.iter().map(|t| t.id.to_string()).collect();
        let message = format!("the sheet changes a part of the rig under which takes were recorded: {}", list.join(", "));
        return Err(Failure::plain(
            "rig-in-use",
            Fate::Refused,
            message,
            "describe the changed part as a setup of its own, or make a new session",
        ));
    }
    session.set_rig(&new, clock.now())?;
    describe(&new)
}
