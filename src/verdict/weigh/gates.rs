//! What stands before every verdict: void data, a cue of the player, takes that are told apart as well as setups.

use super::Panel;
use crate::model::trial::{Design, Method};
use crate::stats::binomial::{critical, critical_two_sided, two_sided, upper_tail};
use crate::stats::controls;
use crate::stats::judge::Gates;
use crate::stats::panel::fisher_exact_greater;
use crate::stats::verdict::{CUE_LEVEL, ControlCount};
use crate::verdict::tally::add;

/// Controls of one test, people pooled.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct ControlsFound {
    /// Same-file controls.
    pub same_file: ControlCount,
    /// They were enough to show a cue at all.
    pub cue_tested: bool,
    /// Upper 95 % limit of the share of trials that a cue could give away.
    pub cue_upper95: Option<f64>,
    /// Repeat controls.
    pub repeat: ControlCount,
    /// They were enough to show a floor at all.
    pub floor_tested: bool,
    /// Known-difference controls; what was planned counts.
    pub known: ControlCount,
    /// They were told apart; `None` without them.
    pub known_passed: Option<bool>,
}

/// The gates, and what they were decided from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Standing {
    /// Open or closed.
    pub gates: Gates,
    /// Takes were told apart, but fresh takes stood behind every scored trial.
    pub floor_caution: bool,
    /// Some hidden sample was its reference's own file.
    pub own_file: bool,
    /// Controls.
    pub controls: ControlsFound,
}

impl Standing {
    /// Looks at a panel's controls beside its score: `scored` right of so many.
    pub(crate) fn of(panel: &Panel<'_>, scored: ControlCount) -> Self {
        let (plan, g, level) = (panel.plan, panel.chance(), panel.level());
        let preference = plan.method == Method::Preference;
        let mut controls = ControlsFound::default();
        for tally in panel.tallies {
            add(&mut controls.same_file, tally.same_file);
            add(&mut controls.repeat, tally.repeat);
            add(&mut controls.known, tally.known);
        }
        if !panel.open_ended() {
            // Unanswered ones count as wrong.
            controls.known.trials = u64::from(plan.controls.known) * panel.tallies.len() as u64;
        }
        let enough = |n: u64, level: f64| {
            if preference { critical_two_sided(n, level).is_some() } else { critical(n, g, level).is_some() }
        };
        let p = |c: ControlCount| {
            if preference { two_sided(c.correct, c.trials, 0.5) } else { upper_tail(c.correct, c.trials, g) }
        };
        controls.cue_tested = enough(controls.same_file.trials, CUE_LEVEL);
        controls.cue_upper95 =
            (controls.same_file.trials > 0 && !preference).then(|| controls::cue_upper95(controls.same_file, g));
        controls.floor_tested = enough(controls.repeat.trials, level);
        controls.known_passed = (plan.controls.known > 0).then(|| controls::known(controls.known, g).passed);
        let cue = controls.cue_tested && p(controls.same_file) <= CUE_LEVEL;
        let told = controls.floor_tested && p(controls.repeat) <= level;
        let above = fisher_exact_greater(scored.correct, scored.trials, controls.repeat.correct, controls.repeat.trials) <= level;
        let floor = told && !above && plan.design == Design::Paired;
        let own_file = panel.tallies.iter().any(|t| t.own_file);
        let veto = floor && own_file && !preference;
        Self {
            gates: Gates { data_void: panel.data_void, player_cue: cue, repeat_floor: veto },
            floor_caution: floor && !veto,
            own_file,
            controls,
        }
    }
}
