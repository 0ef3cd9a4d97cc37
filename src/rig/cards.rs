//! `rig`: reads the rig sheet in, and says of every setup what can be said before it is wired.

use crate::circuit::drive::{Driven, differences, grid};
use crate::circuit::driver::missing;
use crate::circuit::grade::Grade;
use crate::circuit::propose;
use crate::circuit::same::sameness;
use crate::model::failure::Failure;
use crate::model::ids::{DriverLabel, MicName, SetupName};
use crate::model::outside::Clock;
use crate::model::rig::{AmplifierKind, Rig, Setup};
use crate::model::session::Take;
use crate::rig::error::RigError;
use crate::rig::gate::{Gate, GateDoc};
use crate::rig::load::{LoadDoc, output_ohm};
use crate::rig::mics::{AtMicDoc, at_mics};
use crate::rig::objection::no_such_tap;
use crate::rig::warning::{Warning, text};
use crate::rig::wired::{amplifier, judged, parts};
use crate::store::Session;
use serde::Serialize;
use std::path::Path;

pub use crate::rig::wired::{driven, network, validate};

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
    /// The gate's answer; null of a sheet that is in no session.
    pub gate: Option<GateDoc>,
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
    /// The kind of amplifier that was judged by.
    #[serde(skip)]
    pub kind: AmplifierKind,
    /// Some setup has a wiring and nothing to hold its load against.
    #[serde(skip)]
    pub unjudged: bool,
    /// What is missing: setups without a card, and why.
    pub missing: Vec<String>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}

impl RigDoc {
    /// True when some load must not be connected and no reason was typed, some reading of a wiring is not as intended, or some wiring has
    /// nothing to be judged by.
    #[must_use]
    pub fn refused(&self) -> bool {
        let closed = |s: &SetupDoc| s.gate.as_ref().map_or_else(|| s.load.refused(), GateDoc::refused);
        self.unjudged || self.setups.iter().any(closed)
    }
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

fn setup_doc(rig: &Rig, setup: &Setup) -> Result<Option<SetupDoc>, Failure> {
    let (Some((_, network, _)), Some(mut load)) = (parts(rig, setup)?, judged(rig, setup)?) else { return Ok(None) };
    let used = network.drivers();
    let mut own = Vec::new();
    let figures = |label: &DriverLabel| {
        let missing = rig.drivers.iter().find(|d| &d.label == label).map(missing).unwrap_or_default();
        (!missing.is_empty()).then(|| (label.clone(), missing))
    };
    let lacking: Vec<_> = used.iter().filter_map(|p| figures(&p.label)).collect();
    if !lacking.is_empty() {
        own.push(Warning::NoDrive(lacking));
    }
    let idle = rig.drivers.iter().filter(|d| !used.iter().any(|p| p.label == d.label));
    own.extend(idle.map(|d| Warning::IdleDriver(d.label.clone())));
    load.put_first(own);
    if let Some(objection) = no_such_tap(rig, setup) {
        load.grade = Grade::DoNotConnect;
        load.reasons.insert(0, objection.to_string());
    }
    let driven = driven(rig, setup)?;
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
        gate: None,
    }))
}

/// What is missing for a card of every setup.
fn missing_parts(rig: &Rig, setups: &[SetupDoc]) -> Vec<Warning> {
    let mut out = Vec::new();
    let bare: Vec<SetupName> = rig.setups.iter().filter(|s| s.wiring.is_none()).map(|s| s.name.clone()).collect();
    if rig.amplifier.is_none() && bare.len() < rig.setups.len() {
        out.push(Warning::NoAmplifier);
    }
    let carded = |s: &&Setup| setups.iter().any(|d| d.setup == s.name.as_str());
    out.extend(rig.setups.iter().filter(|s| s.wiring.is_some() && !carded(s)).map(|s| Warning::NoTap(s.name.clone())));
    if !bare.is_empty() {
        out.push(Warning::NoWiring(bare));
    }
    out
}

/// Everything that can be said of a rig.
///
/// # Errors
/// A wiring that cannot be read.
pub fn describe(rig: &Rig) -> Result<RigDoc, Failure> {
    let mut setups = Vec::new();
    for setup in &rig.setups {
        setups.extend(setup_doc(rig, setup)?);
    }
    let missing = missing_parts(rig, &setups);
    let (hz, mut pairs, mut mics, mut warnings) = (grid(), Vec::new(), Vec::new(), Vec::new());
    for (i, first) in rig.setups.iter().enumerate() {
        for second in &rig.setups[i + 1..] {
            let (Some(a), Some(b)) = (driven(rig, first)?, driven(rig, second)?) else { continue };
            let found = differences(&a, &b, &hz);
            if let Some(words) = sameness(&a, &b, &hz).words() {
                warnings.push(Warning::Same(first.name.clone(), second.name.clone(), words.to_owned()));
            }
            mics.extend(at_mics(rig, (first, &a), (second, &b), &hz));
            if first.tap_ohm != second.tap_ohm && first.wiring != second.wiring {
                warnings.push(Warning::WiringAndTap(first.name.clone(), second.name.clone()));
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
    let taps: Vec<f64> = rig.amplifier.iter().flat_map(|a| &a.taps_ohm).map(|t| t.value()).collect();
    let (zo, _) = output_ohm(rig.amplifier.as_ref());
    let proposals = propose::pairs(&rig.drivers, &taps, zo, 3)
        .into_iter()
        .map(|p| ProposalDoc { first: p.first.to_string(), second: p.second.to_string(), tap_ohm: p.tap_ohm, why: p.why })
        .collect();
    Ok(RigDoc {
        setups,
        differences: pairs,
        at_mics: mics,
        proposals,
        kind: amplifier(rig).kind,
        unjudged: missing.iter().any(|w| matches!(w, Warning::NoTap(_))),
        missing: missing.iter().map(text).collect(),
        warnings: warnings.iter().map(text).collect(),
    })
}

/// The same of a session, with the gate's answer on every card.
///
/// # Errors
/// The session or a wiring of it cannot be read.
pub fn describe_session(session: &Session) -> Result<RigDoc, Failure> {
    let (rig, gate) = (session.rig()?, Gate::of(session)?);
    let mut doc = describe(&rig)?;
    for setup in &mut doc.setups {
        if let Some(known) = rig.setups.iter().find(|s| s.name.as_str() == setup.setup) {
            setup.gate = Some(gate.doc(&known.name)?);
        }
    }
    Ok(doc)
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
    let Some(new) = sheet else {
        let session = Session::open_read(folder)?;
        if session.rig()?.wirings.is_empty() {
            return Err(RigError::NoRig.into());
        }
        return describe_session(&session);
    };
    validate(&new)?;
    let mut session = Session::open_write(folder, clock.now())?;
    let (old, takes) = (session.rig()?, session.takes()?);
    let concerned = concerned(&old, &new, &takes);
    if !concerned.is_empty() {
        return Err(RigError::InUse { takes: concerned.iter().map(|t| t.id.clone()).collect() }.into());
    }
    session.set_rig(&new, clock.now())?;
    describe_session(&session)
}
