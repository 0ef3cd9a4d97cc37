//! `runsheet`: the interleaved capture order, so that warm-up and drift do not pose as wiring.

use crate::circuit::caution;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::outside::Clock;
use crate::model::rig::{AmplifierKind, Rig, Setup};
use crate::report::numbers::count;
use crate::rig::gate::{self, Gate, GateDoc};
use crate::rig::load::general;
use crate::rig::warning::{Warning, text};
use crate::rig::wired::judged;
use crate::store::Session;
use serde::Serialize;
use std::path::Path;

/// One pass.
#[derive(Debug, Clone, Serialize)]
pub struct PassDoc {
    /// Its number.
    pub pass: u32,
    /// Its setup.
    pub setup: String,
    /// What to change before it; empty for nothing.
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
    /// What is held.
    pub held: std::collections::BTreeMap<String, String>,
    /// What to mind.
    pub cautions: Vec<String>,
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

/// Orders of `k` setups, one row per round, such that over the rounds every setup stands in every place and follows every other about
/// equally often (E. J. Williams 1949; from memory). For two: A B, B A, B A, A B, and so on, so that a linear drift cancels.
#[must_use]
pub fn order(k: usize, rounds: usize) -> Vec<usize> {
    if k == 2 {
        // The Thue-Morse signs: A B B A B A A B ...
        return (0..2 * rounds).map(|n| (n.count_ones() % 2) as usize).collect();
    }
    let zigzag: Vec<usize> = (0..k).map(|i| if i % 2 == 0 { i / 2 } else { k - i.div_ceil(2) }).collect();
    (0..rounds)
        .flat_map(|r| {
            let row: Vec<usize> = zigzag.iter().map(|z| (z + r / 2) % k).collect();
            // Every other round runs backwards: a linear drift then falls on all setups alike.
            if r % 2 == 1 { row.into_iter().rev().collect::<Vec<_>>() } else { row }
        })
        .collect()
}

fn change(rig: &Rig, before: Option<&Setup>, setup: &Setup) -> String {
    let network = |s: &Setup| s.wiring.as_ref().and_then(|w| rig.wiring(w)).map(|w| w.network.clone());
    let tap = |s: &Setup| s.tap_ohm.map(|t| format!("{} ohm tap", t.value()));
    let mut parts = Vec::new();
    if before.is_none_or(|b| network(b) != network(setup)) {
        parts.extend(network(setup).map(|n| format!("wire {n}")));
    }
    if before.is_none_or(|b| b.tap_ohm != setup.tap_ohm) {
        parts.extend(tap(setup).map(|t| format!("plug into the {t}")));
    }
    if before.is_some_and(|b| b.name == setup.name) {
        return String::new();
    }
    if parts.is_empty() {
        parts.push(format!("change to {}", setup.name));
    }
    format!("{}: {}", caution::CHANGE, parts.join(", "))
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

/// The capture order for so many takes of every setup.
///
/// # Errors
/// Fewer than two setups, no takes or absurdly many.
pub fn runsheet(folder: &Path, takes: u32) -> Result<RunsheetDoc, Failure> {
    of(&Session::open_read(folder)?, takes)
}

/// The same, with a typed reason for the setups that must not be powered; it is logged.
///
/// # Errors
/// As [`runsheet`]; the session cannot be written.
pub fn runsheet_all_the_same(folder: &Path, takes: u32, reason: &str, clock: &dyn Clock) -> Result<RunsheetDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let setups: Vec<SetupName> = session.rig()?.setups.into_iter().map(|s| s.name).collect();
    gate::pass(&mut session, &setups, Some(reason), clock.now())?;
    of(&session, takes)
}

fn of(session: &Session, takes: u32) -> Result<RunsheetDoc, Failure> {
    let (rig, gate) = (session.rig()?, Gate::of(session)?);
    if rig.setups.len() < 2 {
        let message = format!("the session has {}; a run sheet needs two or more", count(rig.setups.len(), "setup", "setups"));
        return Err(Failure::plain("too-few-setups", Fate::Refused, message, "describe them in a rig sheet and read it in"));
    }
    if !(1..=100).contains(&takes) {
        return Err(Failure::plain(
            "wrong-use",
            Fate::WrongUse,
            format!("{takes} takes of each setup were asked for; 1 to 100 are possible"),
            "4 or more are advised",
        ));
    }
    let answers = gate.all()?;
    let mut before: Option<&Setup> = None;
    let mut passes = Vec::new();
    for (pass, index) in (1..).zip(order(rig.setups.len(), takes as usize)) {
        let (setup, answer) = (&rig.setups[index], &answers[index]);
        let why = answer.objections.iter().map(|o| o.message.clone()).collect::<Vec<_>>().join("; ");
        passes.push(PassDoc {
            pass,
            setup: setup.name.to_string(),
            change: change(&rig, before, setup),
            refused: answer.refused().then_some(why),
            load_reason: answer.reason.clone(),
        });
        before = Some(setup);
    }
    let cautions = cautions(&rig, &gate)?;
    Ok(RunsheetDoc { order: passes, held: rig.held, cautions, gate: answers })
}
