//! What more takes, more trials and more listeners would find: simulated evenings through the very code that judges.

use super::ears::Ears;
use super::rehearse::evenings;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, TakeId};
use crate::model::outside::Unwatched;
use crate::model::trial::{Controls, Design, Method, Plan, PlanClip, TrialCount};
use crate::stats::takes::Rule;
use crate::trial::methods::not_crossed;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Evenings of each cell.
const RUNS: u64 = 200;
/// Seed of the simulation: the same plan gives the same table.
const SEED: u64 = 1;
/// How much takes vary, in standard deviations of one hearing.
const VARY: f64 = 0.3;
/// Panels that are larger are not simulated here: it would take minutes.
const PANEL: u32 = 12;

/// One cell of the table.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct CellDoc {
    /// Takes of each setup, wired anew for each.
    pub takes: u32,
    /// Trials of each listener.
    pub trials: u32,
    /// Listeners.
    pub listeners: u32,
    /// Share of evenings with a positive verdict.
    pub power: f64,
    /// Share with one about the setups.
    pub power_setups: f64,
}

/// The table, and what it assumes.
#[derive(Debug, Clone, Serialize)]
pub struct CurvesDoc {
    /// Every listener is right so often where takes do not vary.
    pub p_correct: f64,
    /// How much takes vary, in standard deviations of one hearing.
    pub takes_vary: f64,
    /// Evenings behind each cell.
    pub runs: u64,
    /// The cells.
    pub cells: Vec<CellDoc>,
}

/// The plan with so many takes, trials and listeners, crossed.
fn changed(plan: &Plan, takes: u32, trials: u32, listeners: u32) -> Result<Plan, Failure> {
    let mut clips = Vec::new();
    for (s, setup) in plan.setups.iter().enumerate() {
        let Some(like) = plan.clips.iter().find(|c| &c.setup == setup) else { continue };
        for t in 0..takes {
            clips.push(PlanClip {
                clip: ClipId::new(&format!("c{s}-{t}"))?,
                setup: setup.clone(),
                take: TakeId::new(&format!("t{s}-{t}"))?,
                sha256: like.sha256.clone(),
            });
        }
    }
    Ok(Plan {
        clips,
        units: BTreeMap::new(),
        trials: TrialCount::Fixed(trials),
        listeners,
        design: Design::Crossed,
        controls: Controls::default(),
        known_db: None,
        looks: Vec::new(),
        ..plan.clone()
    })
}

/// The table of a plan; nothing where it cannot be crossed.
///
/// # Errors
/// The plan cannot be drawn from.
pub(super) fn curves(plan: &Plan) -> Result<Option<CurvesDoc>, Failure> {
    let bare = Plan { controls: Controls::default(), looks: Vec::new(), ..plan.clone() };
    let TrialCount::Fixed(planned) = plan.trials else { return Ok(None) };
    if Rule::of(plan.method).is_none() || not_crossed(&bare).is_some() {
        return Ok(None);
    }
    let hears = 0.5;
    let ears = Ears { takes_vary: Some(VARY), ..Ears::plain(hears) };
    let takes: BTreeSet<u32> = [3, 4, 5, 6].into();
    let trials: BTreeSet<u32> = [planned.div_ceil(2), planned, (2 * planned).min(1000)].into();
    let listeners: BTreeSet<u32> = [1, plan.listeners.min(PANEL)].into();
    let mut cells = Vec::new();
    for listeners in listeners {
        for trials in &trials {
            for takes in &takes {
                let one = changed(plan, *takes, *trials, listeners)?;
                let found = evenings(&one, &ears, RUNS, SEED, &Unwatched)?;
                let positive: u64 =
                    ["heard", "heard-small", "heard-some", "preferred"].iter().filter_map(|k| found.verdicts.get(k)).sum();
                let share = |n: u64| n as f64 / RUNS as f64;
                let (power, power_setups) = (share(positive), share(found.setups));
                cells.push(CellDoc { takes: *takes, trials: *trials, listeners, power, power_setups });
            }
        }
    }
    let g = if plan.method == Method::Triangle { 1.0 / 3.0 } else { 0.5 };
    Ok(Some(CurvesDoc { p_correct: g + (1.0 - g) * hears, takes_vary: VARY, runs: RUNS, cells }))
}
