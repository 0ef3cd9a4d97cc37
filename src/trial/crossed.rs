//! The crossed draw: samples from all takes of both setups, without looking at the setup, and what the takes test reads out of its trials.

use crate::model::ids::{ClipId, SetupName, TakeId};
use crate::model::random::RandomWords;
use crate::model::trial::{Method, OrderRecord, Plan, PlanClip};
use crate::trial::methods;
use std::collections::BTreeMap;

/// An ordered draw of distinct takes, every one as likely.
pub(super) fn distinct<'a>(plan: &'a Plan, count: usize, random: &mut dyn RandomWords) -> Vec<&'a PlanClip> {
    let mut all: Vec<&PlanClip> = plan.clips.iter().collect();
    for i in 0..count.min(all.len()) {
        let j = i + random.below((all.len() - i) as u64) as usize;
        all.swap(i, j);
    }
    all.truncate(count);
    all
}

/// The place of the right sample in the order of the columns a, b, x; `None` where the trial is not scored. `expected` is the setup of which
/// an attribute is expected; a preference has no right sample.
pub(super) fn right_place(method: Method, setups: &[&SetupName], expected: Option<&SetupName>) -> Option<usize> {
    match (method, setups) {
        (Method::Abx | Method::DuoTrio, [a, b, x]) => (a != b).then_some(usize::from(x == b)),
        (Method::Triangle, [a, b, x]) => match (a == b, b == x, a == x) {
            (true, true, _) => None,
            (true, ..) => Some(2),
            (_, true, _) => Some(0),
            _ => Some(1),
        },
        (Method::Attribute, [a, b]) => (a != b).then_some(usize::from(Some(*b) == expected)),
        _ => None,
    }
}

/// The units of a crossed plan and which setup each belongs to: what the takes test splits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Units {
    /// Of each unit: is it of the first group? The first group is the setup named first, for an attribute the one expected to have more.
    pub first: Vec<bool>,
    clips: BTreeMap<ClipId, (u16, bool)>,
    columns: &'static [&'static str],
}

/// A trial as the takes test reads it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Read {
    /// The unit of each sample, in the order of the columns; pairs repeat their first.
    pub units: [u16; 3],
    /// Whether each sample is of the first group.
    pub first: [bool; 3],
    /// The place of the picked sample.
    pub pick: u8,
}

impl Units {
    /// The units of a plan: takes of one rewiring together; a take that the plan does not place is one of its own.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        let group = plan.expect.as_ref().or(plan.setups.first());
        let mut ids: BTreeMap<(&SetupName, &TakeId), u16> = BTreeMap::new();
        let (mut first, mut clips) = (Vec::new(), BTreeMap::new());
        for clip in &plan.clips {
            let unit = plan.units.get(&clip.take).unwrap_or(&clip.take);
            let of_first = Some(&clip.setup) == group;
            let id = *ids.entry((&clip.setup, unit)).or_insert_with(|| {
                first.push(of_first);
                (first.len() - 1) as u16
            });
            clips.insert(clip.clip.clone(), (id, of_first));
        }
        Self { first, clips, columns: methods::rules(plan.method).columns }
    }

    /// Units of the first group and of the other.
    #[must_use]
    pub fn sizes(&self) -> (u64, u64) {
        let first = self.first.iter().filter(|f| **f).count() as u64;
        (first, self.first.len() as u64 - first)
    }

    /// An opened trial with its pick; `None` where a clip or the choice is not the plan's.
    #[must_use]
    pub fn read(&self, order: &OrderRecord, choice: &str) -> Option<Read> {
        let mut out = Read { units: [0; 3], first: [false; 3], pick: 0 };
        for (place, label) in self.columns.iter().enumerate() {
            let slot = order.slots.iter().find(|s| s.label == *label)?;
            (out.units[place], out.first[place]) = *self.clips.get(&slot.clip)?;
        }
        if self.columns.len() == 2 {
            (out.units[2], out.first[2]) = (out.units[0], out.first[0]);
        }
        out.pick = self.columns.iter().position(|label| *label == choice)? as u8;
        Some(out)
    }
}
