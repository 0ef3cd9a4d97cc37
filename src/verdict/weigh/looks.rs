//! Sealed looks: a test that may end before its last trial. The p is exact for what could have happened at every look (stage by stage:
//! ending at an earlier look counts as further from chance than ending at a later one).

use super::Panel;

/// How a test with looks went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Looked {
    /// The exact p.
    pub(super) p: f64,
    /// It ended at a look: what was not answered then was never to be answered.
    pub(super) ended: bool,
}

/// `None` for a test without looks. `right` of all trials count at the last look, for what is unanswered counts as wrong.
pub(super) fn looked(panel: &Panel<'_>, right: u64) -> Option<Looked> {
    let looks = &panel.plan.looks;
    let last = looks.last()?.answers;
    let outcomes = panel.outcomes();
    let g = panel.chance();
    // still[s]: chance that s are right after so many trials and that no look has ended the test.
    let (mut still, mut trials, mut before) = (vec![1.0f64], 0u64, 0.0f64);
    for look in looks {
        while trials < look.answers {
            let mut next = vec![0.0; still.len() + 1];
            for (s, share) in still.iter().enumerate() {
                next[s] += share * (1.0 - g);
                next[s + 1] += share * g;
            }
            (still, trials) = (next, trials + 1);
        }
        let so_far = outcomes.iter().take(usize::try_from(look.answers).unwrap_or(usize::MAX)).filter(|hit| **hit).count() as u64;
        let reached = outcomes.len() as u64 >= look.answers;
        let tail = |from: u64| still.iter().skip(usize::try_from(from).unwrap_or(usize::MAX)).sum::<f64>();
        if reached && look.least_correct.is_some_and(|least| so_far >= least) {
            return Some(Looked { p: (before + tail(so_far)).min(1.0), ended: true });
        }
        if look.answers == last {
            return Some(Looked { p: (before + tail(right)).min(1.0), ended: false });
        }
        if let Some(least) = look.least_correct {
            before += tail(least);
            still.truncate(usize::try_from(least).unwrap_or(usize::MAX));
        }
    }
    None
}
