//! The gate: may this setup be powered, recorded, tested? One place decides; `new`, `rig`, `status`, `runsheet`, `meter`, `take`, `plan` and
//! the desk ask here, print the answer and obey it.
//!
//! Three things stand against a setup: a load that must not be connected, a tap that the amplifier does not have, and the last ohmmeter
//! reading of its wiring while it is not as intended. Only a reason typed by the engineer lifts them; it is logged with what it lifts, and a
//! new objection (a later reading, a changed sheet) needs a reason of its own.

use crate::circuit::parse_known;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::Clock;
use crate::model::rig::{Rig, Wiring};
use crate::model::session::MeterRecord;
use crate::rig::error::RigError;
use crate::rig::objection::{Objection, no_such_tap, read_wrong};
use crate::rig::wired::{judged, labels};
use crate::store::Session;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The event by which a reason is kept.
const LIFTED: &str = "gate-lifted";

/// Why nothing can be said of a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unknown {
    /// The setup has no wiring: two files, and names.
    Wiring,
    /// It has a wiring, but neither tap nor least load.
    Tap,
}

/// The gate's answer about a setup. None of them promises anything.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Nothing that is known stands against it.
    NothingAgainst,
    /// Too little is known of it; no reading stands against it.
    NotJudged(Unknown),
    /// It would be refused, but the engineer typed why it is done all the same.
    Lifted {
        /// What stands against it.
        objections: Vec<Objection>,
        /// What was typed.
        reason: String,
    },
    /// It is refused.
    Refused {
        /// What stands against it and no reason lifts, the gravest first.
        objections: Vec<Objection>,
    },
}

impl Answer {
    /// The stable name.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::NothingAgainst => "nothing-against",
            Self::NotJudged(_) => "not-judged",
            Self::Lifted { .. } => "lifted",
            Self::Refused { .. } => "refused",
        }
    }

    /// What stands against the setup, lifted or not.
    #[must_use]
    pub fn objections(&self) -> &[Objection] {
        match self {
            Self::Lifted { objections, .. } | Self::Refused { objections } => objections,
            Self::NothingAgainst | Self::NotJudged(_) => &[],
        }
    }

    /// The typed reason.
    #[must_use]
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Lifted { reason, .. } => Some(reason),
            _ => None,
        }
    }

    /// True when it is refused.
    #[must_use]
    pub fn refused(&self) -> bool {
        matches!(self, Self::Refused { .. })
    }
}

/// An objection in documents.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ObjectionDoc {
    /// Its kind.
    pub kind: &'static str,
    /// What stands against the setup.
    pub message: String,
    /// What to do.
    pub next: String,
}

/// The gate's answer in documents.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GateDoc {
    /// The setup.
    pub setup: String,
    /// `nothing-against`, `not-judged`, `lifted`, `refused`.
    pub answer: &'static str,
    /// What stands against it.
    pub objections: Vec<ObjectionDoc>,
    /// The typed reason of a lifted one.
    pub reason: Option<String>,
}

impl GateDoc {
    fn new(setup: &SetupName, answer: &Answer) -> Self {
        let doc = |o: &Objection| ObjectionDoc { kind: o.kind(), message: format!("{setup} {o}"), next: o.remedy() };
        Self {
            setup: setup.to_string(),
            answer: answer.name(),
            objections: answer.objections().iter().map(doc).collect(),
            reason: answer.reason().map(str::to_owned),
        }
    }

    /// True when the setup is refused.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.answer == "refused"
    }

    /// What is printed of it: nothing when nothing stands against the setup.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = self.objections.iter().map(|o| o.message.clone()).collect();
        if let Some(reason) = &self.reason {
            lines.push(format!("done all the same, reason given: {reason}"));
        } else if let Some(first) = self.objections.first() {
            lines.push(format!("next: {}", first.next));
        }
        lines
    }
}

/// A reason as it is logged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Lift {
    reason: String,
    against: Vec<String>,
}

/// Everything the gate looks at.
#[derive(Debug, Clone)]
pub struct Gate {
    rig: Rig,
    readings: Vec<MeterRecord>,
    lifts: Vec<(String, Lift)>,
}

impl Gate {
    /// The gate of a session as it stands.
    ///
    /// # Errors
    /// The session cannot be read.
    pub fn of(session: &Session) -> Result<Self, Failure> {
        let mut lifts = Vec::new();
        session.each_entry(&mut |entry| {
            if entry.what == LIFTED
                && let Ok(lift) = serde_json::from_str::<Lift>(entry.body)
            {
                lifts.push((entry.subject.to_owned(), lift));
            }
        })?;
        Ok(Self { rig: session.rig()?, readings: session.meter_readings()?, lifts })
    }

    /// The gate of a sheet that is in no session yet.
    #[must_use]
    pub fn of_sheet(rig: &Rig) -> Self {
        Self { rig: rig.clone(), readings: Vec::new(), lifts: Vec::new() }
    }

    /// May this setup be powered, recorded, tested?
    ///
    /// # Errors
    /// A wiring that cannot be read.
    pub fn ask(&self, name: &SetupName) -> Result<Answer, Failure> {
        let Some(setup) = self.rig.setup(name) else { return Err(RigError::NoSuchSetup(name.clone()).into()) };
        let wiring = setup.wiring.as_ref().and_then(|w| self.rig.wiring(w));
        let mut objections: Vec<Objection> = wiring.and_then(|w| self.last_reading(w)).and_then(read_wrong).into_iter().collect();
        let load = judged(&self.rig, setup)?;
        if let Some(load) = &load {
            objections.extend(no_such_tap(&self.rig, setup));
            if load.refused() {
                objections.push(Objection::DoNotConnect { reasons: load.reasons.clone() });
            }
        }
        if objections.is_empty() {
            return Ok(match (wiring, load) {
                (None, _) => Answer::NotJudged(Unknown::Wiring),
                (Some(_), None) => Answer::NotJudged(Unknown::Tap),
                (Some(_), Some(_)) => Answer::NothingAgainst,
            });
        }
        let reason_of = |o: &Objection| {
            let mark = o.mark();
            self.lifts.iter().rev().find(|(s, l)| s == name.as_str() && l.against.contains(&mark)).map(|(_, l)| &l.reason)
        };
        let standing: Vec<Objection> = objections.iter().filter(|o| reason_of(o).is_none()).cloned().collect();
        if !standing.is_empty() {
            return Ok(Answer::Refused { objections: standing });
        }
        let mut reasons: Vec<&str> = objections.iter().filter_map(reason_of).map(String::as_str).collect();
        reasons.dedup();
        let reason = reasons.join("; ");
        Ok(Answer::Lifted { objections, reason })
    }

    /// The answers about all setups, in the sheet's order.
    ///
    /// # Errors
    /// A wiring that cannot be read.
    pub fn all(&self) -> Result<Vec<GateDoc>, Failure> {
        self.rig.setups.iter().map(|s| Ok(GateDoc::new(&s.name, &self.ask(&s.name)?))).collect()
    }

    /// The answer about one setup.
    ///
    /// # Errors
    /// No such setup, a wiring that cannot be read.
    pub fn doc(&self, name: &SetupName) -> Result<GateDoc, Failure> {
        Ok(GateDoc::new(name, &self.ask(name)?))
    }

    /// Refuses what is refused, unless a reason is given.
    ///
    /// # Errors
    /// [`RigError::Closed`].
    pub fn obey(&self, setups: &[SetupName], reason: Option<&str>) -> Result<(), Failure> {
        for name in setups {
            if let Answer::Refused { objections } = self.ask(name)?
                && said(reason).is_none()
            {
                return Err(RigError::Closed { setup: name.clone(), objections }.into());
            }
        }
        Ok(())
    }

    /// The reasons that were typed for these setups, each once.
    ///
    /// # Errors
    /// A wiring that cannot be read.
    pub fn reasons(&self, setups: &[SetupName]) -> Result<Vec<String>, Failure> {
        let mut out: Vec<String> = Vec::new();
        for name in setups {
            out.extend(self.ask(name)?.reason().map(str::to_owned));
        }
        out.dedup();
        Ok(out)
    }

    /// The last reading of a wiring, by whatever name it was kept.
    fn last_reading(&self, wiring: &Wiring) -> Option<&MeterRecord> {
        self.readings.iter().rev().find(|m| of_wiring(&self.rig, wiring, &m.wiring))
    }

    /// True when the wiring was read as intended, as it stands in the sheet today.
    #[must_use]
    pub fn metered(&self, wiring: &Wiring) -> bool {
        self.last_reading(wiring).is_some_and(|m| m.as_intended && same_band(&self.rig, wiring, m))
    }

    /// True when no reading of the wiring decides anything: none was taken, or the sheet was changed since a good one.
    #[must_use]
    pub fn unread(&self, wiring: &Wiring) -> bool {
        self.last_reading(wiring).is_none_or(|m| m.as_intended && !same_band(&self.rig, wiring, m))
    }
}

fn of_wiring(rig: &Rig, wiring: &Wiring, kept: &str) -> bool {
    let network = |text: &str| parse_known(text, &labels(rig)).ok().map(|n| n.canonical());
    kept == wiring.name.as_str()
        || kept == wiring.network
        || (rig.wirings.iter().all(|w| w.name.as_str() != kept)
            && network(kept).is_some_and(|n| network(&wiring.network) == Some(n)))
}

/// A good reading holds while the sheet still expects what it expected then.
fn same_band(rig: &Rig, wiring: &Wiring, reading: &MeterRecord) -> bool {
    let Ok(network) = parse_known(&wiring.network, &labels(rig)) else { return false };
    let near = |a: f64, b: f64| (a - b).abs() < 1e-6;
    crate::circuit::meter::band(&network, &rig.drivers, &[], &[])
        .widened()
        .is_some_and(|(low, high)| near(low, reading.low.value()) && near(high, reading.high.value()))
}

/// A reason that says something.
fn said(reason: Option<&str>) -> Option<&str> {
    reason.map(str::trim).filter(|r| !r.is_empty())
}

/// The door of a command that changes the session: what is refused is refused, unless a reason is given; then it is logged with what it
/// lifts.
///
/// # Errors
/// [`RigError::Closed`]; the session cannot be written.
pub fn pass(session: &mut Session, setups: &[SetupName], reason: Option<&str>, now: Timestamp) -> Result<(), Failure> {
    let gate = Gate::of(session)?;
    gate.obey(setups, reason)?;
    let Some(reason) = said(reason) else { return Ok(()) };
    for name in setups {
        if let Answer::Refused { objections } = gate.ask(name)? {
            let lift = Lift { reason: reason.to_owned(), against: objections.iter().map(Objection::mark).collect() };
            session.log_event(LIFTED, name.as_str(), &lift, now)?;
        }
    }
    Ok(())
}

/// Keeps a typed reason for a setup that is refused; the desk's way.
///
/// # Errors
/// No reason, no such setup; the session cannot be written.
pub fn keep(folder: &Path, setup: &SetupName, reason: &str, clock: &dyn Clock) -> Result<(), Failure> {
    if said(Some(reason)).is_none() {
        return Err(RigError::NoReason(setup.clone()).into());
    }
    pass(&mut Session::open_write(folder, clock.now())?, std::slice::from_ref(setup), Some(reason), clock.now())
}
