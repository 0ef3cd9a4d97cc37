//! Takes as the takes test counts them: the unit is a rewiring. And whether they were captured in the order that was drawn.

use crate::capture::runsheet;
use crate::model::failure::Failure;
use crate::model::ids::{SetupName, TakeId};
use crate::model::session::{Clip, Depth, Take};
use crate::store::Session;
use std::collections::BTreeMap;

/// Which rewiring each take of the chosen clips belongs to, where that is not one of its own. A pass of depth `untouched` is of the same
/// rewiring as its setup's pass before it, withdrawn ones included.
pub(super) fn units(takes: &[Take], chosen: &[Clip]) -> BTreeMap<TakeId, TakeId> {
    let mut passes: BTreeMap<(&SetupName, u32), Option<Depth>> = BTreeMap::new();
    for take in takes {
        if let Some(setup) = &take.setup {
            // The passes's mics share what was touched; one that states it speaks for all.
            let depth = passes.entry((setup, take.pass)).or_default();
            *depth = depth.or(take.depth);
        }
    }
    let mut unit_of: BTreeMap<(&SetupName, u32), u32> = BTreeMap::new();
    let mut last: Option<(&SetupName, u32)> = None;
    for ((setup, pass), depth) in &passes {
        let before = last.filter(|(s, _)| s == setup).map(|(_, unit)| unit);
        let unit = match (depth, before) {
            (Some(Depth::Untouched), Some(unit)) => unit,
            _ => *pass,
        };
        unit_of.insert((setup, *pass), unit);
        last = Some((setup, unit));
    }
    let mut first: BTreeMap<(&SetupName, u32), &TakeId> = BTreeMap::new();
    let mut out = BTreeMap::new();
    for clip in chosen {
        let Some(take) = takes.iter().find(|t| t.id == clip.take) else { continue };
        let Some(unit) = unit_of.get(&(&clip.setup, take.pass)) else { continue };
        let named = *first.entry((&clip.setup, *unit)).or_insert(&clip.take);
        if *named != clip.take {
            out.insert(clip.take.clone(), named.clone());
        }
    }
    out
}

/// Chosen takes of which nobody stated what was touched before them.
pub(super) fn unstated(takes: &[Take], chosen: &[Clip]) -> usize {
    chosen.iter().filter(|c| takes.iter().any(|t| t.id == c.take && t.depth.is_none())).count()
}

/// How the passes were captured, against the run sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Captured {
    /// In the one order that was drawn.
    AsDrawn,
    /// No run sheet was drawn.
    NotDrawn,
    /// In another order, or after several draws.
    Otherwise,
}

/// Compares the order of capture with the run sheets that were drawn.
pub(super) fn captured(session: &Session, takes: &[Take]) -> Result<Captured, Failure> {
    let drawn = runsheet::drawn(session)?;
    let Some(sheet) = drawn.last() else { return Ok(Captured::NotDrawn) };
    let mut passes: BTreeMap<u32, &SetupName> = BTreeMap::new();
    for take in takes {
        if let Some(setup) = &take.setup {
            passes.insert(take.pass, setup);
        }
    }
    let as_drawn = drawn.len() == 1
        && passes.values().zip(&sheet.order).all(|(got, wanted)| *got == wanted)
        && passes.len() == sheet.order.len();
    Ok(if as_drawn { Captured::AsDrawn } else { Captured::Otherwise })
}
