//! `runsheet`: the order of capture, drawn once from all orders, so that warm-up and drift owe nothing to the wiring.

use crate::capture::beside::{Directly, Way, make};
use crate::circuit::caution;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::Clock;
use crate::model::random::RandomWords;
use crate::model::rig::{AmplifierKind, Rig, Setup};
use crate::model::session::Take;
use crate::report::text::count;
use crate::rig::gate::{self, Gate, GateDoc};
use crate::rig::load::general;
use crate::rig::warning::{Warning, text};
use crate::rig::wired::judged;
use crate::stats::takes::Rule;
use crate::store::{Session, random};
use crate::trial::Generator;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::path::Path;

/// Takes of each setup unless said otherwise: what a claim about the wiring needs in a session of up to six tests.
pub const TAKES: u32 = 5;

/// The `what` of the log's entry of a drawn order.
const DRAWN: &str = "run-sheet";

/// The level of all tests of a session together, unless a plan says less.
const LEVEL: f64 = 0.05;

/// One pass.
#[derive(Debug, Clone, Serialize)]
pub struct PassDoc {
    /// Its number.
    pub pass: u32,
    /// Its setup.
    pub setup: String,
    /// What to change before it.
    pub change: String,
    /// Why it must not be played; null when nothing stands against it or a reason was typed. Such a pass has no tick box.
    pub refused: Option<String>,
    /// Why it is played all the same.
    pub load_reason: Option<String>,
}

/// The document of `runsheet`.
#[derive(Debug, Clone, Serialize)]
pub struct RunsheetDoc {
    /// Passes in their order.
    pub order: Vec<PassDoc>,
    /// Takes of each setup.
    pub takes: u32,
    /// Tests that the session's claim is to rest on.
    pub tests: u32,
    /// Takes of each setup that a claim about the wiring needs with so many tests.
    pub takes_needed: Option<u64>,
    /// True when the order was drawn just now; false for one that was drawn before.
    pub drawn_now: bool,
    /// What is held.
    pub held: std::collections::BTreeMap<String, String>,
    /// What to mind.
    pub cautions: Vec<String>,
    /// What to know about the order.
    pub warnings: Vec<String>,
    /// The gate's answers, in the sheet's order.
    pub gate: Vec<GateDoc>,
}

impl RunsheetDoc {
    /// True when some pass must not be played.
    #[must_use]
    pub fn refused(&self) -> bool {
        self.order.iter().any(|p| p.refused.is_some())
    }
}

/// An order that was drawn, as the log keeps it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Drawn {
    /// Takes of each setup.
    pub takes: u32,
    /// The setup of each pass.
    pub order: Vec<SetupName>,
}

/// Draws an order of `takes` passes of each of `k` setups: every order as likely as every other one, never balanced. That is what makes the
/// takes test exact under any drift (Fisher 1935: the draw is the reason for the test; from memory).
#[must_use]
pub fn draw(k: usize, takes: u32, mut random: &mut dyn RandomWords) -> Vec<usize> {
    let mut order: Vec<usize> = (0..k).flat_map(|setup| std::iter::repeat_n(setup, takes as usize)).collect();
    RandomWords::shuffle(&mut random, &mut order);
    order
}

/// The orders that were drawn in a session, oldest first.
///
/// # Errors
/// The log cannot be read.
pub fn drawn(session: &Session) -> Result<Vec<Drawn>, Failure> {
    let mut out = Vec::new();
    session.each_entry(&mut |entry| {
        if entry.what == DRAWN {
            out.extend(serde_json::from_str::<Drawn>(entry.body));
        }
    })?;
    Ok(out)
}

/// Writes a drawn order into the log.
///
/// # Errors
/// The log cannot be written.
pub fn keep(session: &mut Session, drawn: &Drawn, now: Timestamp) -> Result<(), Failure> {
    Ok(session.log_event(DRAWN, DRAWN, drawn, now)?)
}

fn change(rig: &Rig, before: Option<&Setup>, setup: &Setup) -> String {
    let network = setup.wiring.as_ref().and_then(|w| rig.wiring(w)).map(|w| w.network.clone());
    let mut parts = Vec::new();
    match network {
        // Undone and made anew before every pass: what the wiring did is repeated only where the wiring is.
        Some(n) if before.is_some_and(|b| b.wiring == setup.wiring) => parts.push(format!("undo the wiring and wire {n} anew")),
        Some(n) => parts.push(format!("wire {n}")),
        None => {}
    }
    if let Some(tap) = setup.tap_ohm.filter(|_| before.is_none_or(|b| b.tap_ohm != setup.tap_ohm)) {
        parts.push(format!("plug into the {} ohm tap", tap.value()));
    }
    if parts.is_empty() {
        let again = before.is_some_and(|b| b.name == setup.name);
        parts.push(if again { format!("undo {} and make it anew", setup.name) } else { format!("change to {}", setup.name) });
    }
    format!("{}: {}", caution::CHANGE, parts.join(", "))
}

fn wrong(message: String, next: &str) -> Failure {
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}

fn check(rig: &Rig, takes: Option<u32>, tests: u32) -> Result<(), Failure> {
    if rig.setups.len() < 2 {
        let message = format!("the session has {}; a run sheet needs two or more", count(rig.setups.len(), "setup", "setups"));
        return Err(Failure::plain("too-few-setups", Fate::Refused, message, "describe them in a rig sheet and read it in"));
    }
    if let Some(takes) = takes.filter(|t| !(1..=100).contains(t)) {
        return Err(wrong(format!("{takes} takes; 1 to 100 are needed"), "5 or more are advised"));
    }
    if !(1..=1000).contains(&tests) {
        return Err(wrong(format!("--tests {tests}; 1 to 1000 are needed"), "1 is the default"));
    }
    Ok(())
}

/// The run sheet that was drawn last; nothing where none was.
///
/// # Errors
/// The session cannot be read, or has fewer than two setups.
pub fn last(folder: &Path, tests: u32) -> Result<Option<RunsheetDoc>, Failure> {
    let session = Session::open_read(folder)?;
    let rig = session.rig()?;
    check(&rig, None, tests)?;
    let all = drawn(&session)?;
    all.last().map(|one| document(&session, one, tests, false, all.len())).transpose()
}

/// The order of capture: the one that was drawn, or one that is drawn now and kept in the log.
///
/// # Errors
/// Fewer than two setups, no takes or absurdly many.
pub fn runsheet(folder: &Path, takes: Option<u32>, tests: u32, clock: &dyn Clock) -> Result<RunsheetDoc, Failure> {
    runsheet_by(&Directly::to(folder, clock), takes, tests, clock.now())
}

/// The same by whoever has the session.
///
/// # Errors
/// As [`runsheet`].
pub fn runsheet_by(way: &dyn Way, takes: Option<u32>, tests: u32, now: Timestamp) -> Result<RunsheetDoc, Failure> {
    let session = Session::open_read(way.folder())?;
    let rig = session.rig()?;
    check(&rig, takes, tests)?;
    let all = drawn(&session)?;
    let of_these_setups = |d: &Drawn| d.order.iter().all(|s| rig.setup(s).is_some());
    if let Some(one) = all.last().filter(|d| of_these_setups(d) && takes.is_none_or(|t| t == d.takes)) {
        return document(&session, one, tests, false, all.len());
    }
    drop(session);
    let takes = takes.unwrap_or(TAKES);
    let order = draw(rig.setups.len(), takes, &mut Generator::from_seed(random::seed()?));
    let one = Drawn { takes, order: order.into_iter().map(|i| rig.setups[i].name.clone()).collect() };
    make(way, move |session| {
        keep(session, &one, now)?;
        document(session, &one, tests, true, all.len() + 1)
    })
}

/// The passes of a drawn order, each with what the gate says of its setup.
fn passes(rig: &Rig, drawn: &Drawn, gate: &Gate) -> Result<Vec<PassDoc>, Failure> {
    let answers = gate.all()?;
    let mut before: Option<&Setup> = None;
    let mut out = Vec::new();
    for (pass, name) in (1..).zip(&drawn.order) {
        let Some(at) = rig.setups.iter().position(|s| &s.name == name) else { continue };
        let (setup, answer) = (&rig.setups[at], &answers[at]);
        let why = answer.objections.iter().map(|o| o.message.clone()).collect::<Vec<_>>().join("; ");
        out.push(PassDoc {
            pass,
            setup: name.to_string(),
            change: change(rig, before, setup),
            refused: answer.refused().then_some(why),
            load_reason: answer.reason.clone(),
        });
        before = Some(setup);
    }
    Ok(out)
}

fn document(session: &Session, drawn: &Drawn, tests: u32, drawn_now: bool, draws: usize) -> Result<RunsheetDoc, Failure> {
    let (rig, gate) = (session.rig()?, Gate::of(session)?);
    let takes_needed = if rig.setups.len() == 2 { Rule::Match.takes_needed(LEVEL / f64::from(tests)) } else { None };
    let mut warnings = Vec::new();
    if draws > 1 {
        warnings.push(format!(
            "{draws} orders were drawn in this session: keep to one of them, or plans will say that the order was chosen"
        ));
    }
    if let Some(needed) = takes_needed.filter(|n| u64::from(drawn.takes) < *n) {
        warnings.push(format!(
            "{} of each setup {} too few for a claim about the wiring in a session of {}: {needed} are needed",
            count(drawn.takes as usize, "take", "takes"),
            if drawn.takes == 1 { "is" } else { "are" },
            count(tests as usize, "test", "tests")
        ));
    }
    Ok(RunsheetDoc {
        order: passes(&rig, drawn, &gate)?,
        takes: drawn.takes,
        tests,
        takes_needed,
        drawn_now,
        cautions: cautions(&rig, &gate)?,
        gate: gate.all()?,
        held: rig.held,
        warnings,
    })
}

/// What to mind at this rig: what is about its loads and wirings, then what holds for every amplifier of its kind.
fn cautions(rig: &Rig, gate: &Gate) -> Result<Vec<String>, Failure> {
    let mut out: Vec<String> = Vec::new();
    for setup in &rig.setups {
        for warning in judged(rig, setup)?.iter().flat_map(|l| &l.warnings) {
            let about = match warning {
                Warning::Power(_) => format!("{}: {}", setup.name, text(warning)),
                Warning::ManualNote(_) => text(warning),
                _ => continue,
            };
            if !out.contains(&about) {
                out.push(about);
            }
        }
    }
    out.extend(rig.wirings.iter().filter(|w| gate.unread(w)).map(|w| text(&Warning::NeverMetered(w.name.clone()))));
    out.extend(general(rig.amplifier.as_ref().map_or(AmplifierKind::Valve, |a| a.kind)));
    Ok(out)
}

/// Logs a typed reason for the setups that must not be powered, so that the run sheet is printed all the same.
///
/// # Errors
/// The session cannot be written.
pub fn lift(folder: &Path, reason: &str, clock: &dyn Clock) -> Result<(), Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let setups: Vec<SetupName> = session.rig()?.setups.into_iter().map(|s| s.name).collect();
    gate::pass(&mut session, &setups, Some(reason), clock.now()).map(drop)
}

/// True when every one of these mics has a take of a pass.
#[must_use]
pub fn is_recorded(pass: &PassDoc, mics: &[MicName], takes: &[Take]) -> bool {
    mics.iter().all(|mic| {
        let here = |t: &&Take| t.pass == pass.pass && t.mic == *mic && t.withdrawn.is_none();
        takes.iter().filter(here).any(|t| t.setup.as_ref().is_some_and(|s| s.as_str() == pass.setup))
    })
}

/// Passes of the run sheet that are not recorded yet, in their order.
///
/// # Errors
/// No run sheet was drawn.
pub(crate) fn coming(session: &Session) -> Result<Vec<(u32, SetupName)>, Failure> {
    let (rig, takes) = (session.rig()?, session.takes()?);
    // A pass is recorded when every mic of the sheet has it; a session whose sheet names no mics has one.
    let recorded = |pass: u32| {
        let of: BTreeSet<&MicName> =
            takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none() && t.pass == pass).map(|t| &t.mic).collect();
        if rig.mics.len() > 1 { rig.mics.iter().all(|m| of.contains(&m.name)) } else { !of.is_empty() }
    };
    let order = drawn(session)?.pop().ok_or_else(|| {
        let message = "no run sheet was drawn, so nobody can say which setup comes next";
        Failure::plain(
            "no-run-sheet",
            Fate::Refused,
            message,
            "draw one with: cabjury runsheet FOLDER, or name the setup with --setup",
        )
    })?;
    Ok((1..).zip(order.order).filter(|(pass, _)| !recorded(*pass)).collect())
}
