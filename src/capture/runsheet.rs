//! `runsheet`: the interleaved capture order, so that warm-up and drift do not pose as wiring.

use crate::circuit::caution;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::{Rig, Setup};
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

/// The capture order for so many takes of every setup.
///
/// # Errors
/// Fewer than two setups, no takes or absurdly many.
pub fn runsheet(folder: &Path, takes: u32) -> Result<RunsheetDoc, Failure> {
    let rig = Session::open_read(folder)?.rig()?;
    if rig.setups.len() < 2 {
        let message = format!("the session has {} setups; two or more are wanted", rig.setups.len());
        return Err(Failure::plain("too-few-setups", Fate::Refused, message, "describe them in a rig sheet and read it in"));
    }
    if !(1..=100).contains(&takes) {
        return Err(Failure::plain(
            "wrong-use",
            Fate::WrongUse,
            format!("{takes} takes; 1 to 100 are wanted"),
            "4 or more are advised",
        ));
    }
    let mut before: Option<&Setup> = None;
    let mut passes = Vec::new();
    for (pass, index) in (1..).zip(order(rig.setups.len(), takes as usize)) {
        let setup = &rig.setups[index];
        passes.push(PassDoc { pass, setup: setup.name.to_string(), change: change(&rig, before, setup) });
        before = Some(setup);
    }
    let cautions = caution::VALVE
        .iter()
        .chain(&caution::CABLE_AND_METER)
        .map(|t| (*t).to_owned())
        .chain([caution::HEARING.to_owned()])
        .collect();
    Ok(RunsheetDoc { order: passes, held: rig.held.clone(), cautions })
}
