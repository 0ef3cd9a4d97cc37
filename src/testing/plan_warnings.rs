//! What a plan is warned of before it is sealed: too few takes, two things that change together, wirings that were never metered, controls
//! that could show nothing, a floor as high as the difference, one test more than was said.

use crate::circuit::load::Margin;
use crate::model::failure::Failure;
use crate::model::ids::WiringName;
use crate::model::rig::Rig;
use crate::model::session::Take;
use crate::model::trial::{Design, Method, Plan, TrialCount};
use crate::report::text::count;
use crate::rig::warning::{Warning as RigWarning, text};
use crate::rig::wired::judged;
use crate::stats::binomial::{critical, critical_two_sided};
use crate::stats::controls::cue_power;
use crate::stats::takes::Rule;
use crate::stats::taste::least_p_listeners;
use crate::stats::verdict::CUE_LEVEL;
use crate::store::Session;
use crate::testing::choose::Chosen;
use crate::testing::plan_doc::{least_p_takes, level};
use crate::testing::plan_fit::Scored;
use crate::testing::plan_units::{Captured, captured, unstated};
use crate::testing::request::Request;
use std::fmt;

/// A share of trials that a cue gives away, for which its power is printed.
const CUE_SHARE: f64 = 0.5;

/// What an engineer should know before the first trial.
#[derive(Debug, Clone, PartialEq)]
pub enum Warning {
    /// One take of a setup in the paired design: the hidden sample is its reference's own file.
    OwnFile,
    /// Too few rewirings for a claim about the setups at this level.
    FewTakes {
        /// Rewirings of the setup that has fewest.
        fewest: usize,
        /// The least p that they can reach.
        least_p: Option<f64>,
        /// How many are needed.
        needed: Option<u64>,
    },
    /// The paired design never speaks of the setups.
    Paired,
    /// Wiring and tap change together.
    Together,
    /// No same-file controls.
    NoSameFile,
    /// Too few same-file controls to show a cue.
    FewSameFile,
    /// What so many same-file controls can find.
    CuePower {
        /// Trials over all listeners.
        trials: u64,
        /// The chance to find a cue that gives away half of the trials.
        power: f64,
    },
    /// Too few repeat controls to show a floor.
    FewRepeat,
    /// No known-difference controls.
    NoKnown {
        /// How many are proposed for each listener.
        proposed: u32,
    },
    /// A preference of listeners that cannot be shown with so few of them.
    FewListeners {
        /// The least p that they can reach.
        least_p: f64,
        /// The level.
        level: f64,
    },
    /// A wiring that was never metered.
    NeverMetered(WiringName),
    /// A wiring whose last reading was not as intended.
    ReadWrong(WiringName),
    /// The amplifier could overload a driver of a setup, in words.
    TooLarge(String),
    /// The takes were not checked.
    Unchecked,
    /// Nothing measured rises above the repeat floor.
    BelowFloor,
    /// So few trials that no answers reach the level.
    TooFewTrials {
        /// Trials that are scored, over all listeners.
        scored: u64,
        /// The level.
        level: f64,
        /// The fewest that reach it.
        needed: u64,
    },
    /// Takes of which nobody stated what was touched before them.
    DepthUnstated(usize),
    /// No run sheet was drawn.
    OrderNotDrawn,
    /// The takes were captured in another order than was drawn.
    OtherOrder,
    /// A further test of the session.
    Further {
        /// Tests that stand already.
        before: usize,
        /// Its place; `None` beyond the planned ones.
        number: Option<u32>,
        /// How many the first seal declared.
        planned: u32,
    },
}

impl fmt::Display for Warning {
    #[expect(clippy::too_many_lines, reason = "one arm for each warning, so that none is forgotten")]
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OwnFile => f.write_str(
                "with one take of a setup the hidden sample is its reference's own file: a listener can recognise the take",
            ),
            Self::FewTakes { fewest, least_p, needed } => {
                write!(f, "{} of a setup: the verdict will speak of these recordings, not of the wiring", count(*fewest, "take", "takes"))?;
                if let Some(p) = least_p {
                    write!(f, " (the takes test cannot go below p = {p:.3})")?;
                }
                match needed {
                    Some(n) => write!(f, "; {n} takes of each setup, wired anew for each, are needed"),
                    None => Ok(()),
                }
            }
            Self::Paired => f.write_str(
                "the paired design lays the setups side by side on purpose: the verdict will speak of these recordings, not of the wiring",
            ),
            Self::Together => f.write_str("wiring and tap change together: the verdict cannot say which of the two was heard"),
            Self::NoSameFile => f.write_str("no same-file controls: a cue of the player will not be tested for"),
            Self::FewSameFile => f.write_str("too few same-file controls to show a cue even if all were right"),
            Self::CuePower { trials, power } => write!(
                f,
                "{trials} same-file controls find a cue that gives away half of the trials in {:.0} of 100 tests",
                100.0 * power
            ),
            Self::FewRepeat => f.write_str("too few repeat controls to show a floor even if all were right"),
            Self::NoKnown { proposed } => write!(
                f,
                "no known-difference controls: a negative verdict cannot say that anything could have been heard; known={proposed} for each \
                 listener is proposed"
            ),
            Self::FewListeners { least_p, level } => write!(
                f,
                "so few listeners cannot show a preference of the panel (least p {least_p:.4}, level {level:.4}), only one that each of them has"
            ),
            Self::NeverMetered(wiring) => write!(f, "the wiring {wiring} was never metered"),
            Self::ReadWrong(wiring) => write!(f, "the wiring {wiring} last read wrong on the meter"),
            Self::TooLarge(what) => f.write_str(what),
            Self::Unchecked => f.write_str("the takes were not checked (cabjury check)"),
            Self::BelowFloor => {
                f.write_str("no measured band differs by more than repeat takes of one setup do: there may be nothing to hear")
            }
            Self::TooFewTrials { scored, level, needed } => write!(
                f,
                "{} cannot reach the level of {level} whatever is answered: nothing can be shown; {needed} or more are needed",
                count(usize::try_from(*scored).unwrap_or(usize::MAX), "scored trial", "scored trials")
            ),
            Self::DepthUnstated(n) => write!(
                f,
                "assumption: {} without a stated depth were each wired anew (take --depth rewired)",
                count(*n, "take", "takes")
            ),
            Self::OrderNotDrawn => f.write_str(
                "assumption: the takes were captured in an order that owes nothing to their setups; no run sheet was drawn (cabjury runsheet)",
            ),
            Self::OtherOrder => f.write_str(
                "assumption: the takes were captured in another order than the run sheet's draw; the takes test is exact only if that order owes \
                 nothing to the setups",
            ),
            Self::Further { before, number: Some(number), planned } => write!(
                f,
                "a further test: {} sealed before it; it is number {number} of the {planned} that the first seal declared",
                count(*before, "test was", "tests were")
            ),
            Self::Further { before, number: None, planned } => write!(
                f,
                "exploratory: {} sealed before it, and the first seal declared {planned}; whatever comes out is a reason for a new session, \
                 not a finding",
                count(*before, "test was", "tests were")
            ),
        }
    }
}

/// What is looked at.
pub(super) struct Look<'a> {
    pub(super) session: &'a Session,
    pub(super) rig: &'a Rig,
    pub(super) request: &'a Request,
    pub(super) chosen: &'a Chosen,
    pub(super) takes: &'a [Take],
    pub(super) plan: &'a Plan,
    /// Tests for people that stand already.
    pub(super) before: usize,
}

pub(super) fn warnings(look: &Look<'_>) -> Result<Vec<Warning>, Failure> {
    let mut out = Vec::new();
    take_warnings(look, &mut out)?;
    if together(look) {
        out.push(Warning::Together);
    }
    out.extend(too_few_trials(look));
    control_warnings(look, &mut out);
    let used = |wiring: &WiringName| {
        look.request.compare.iter().filter_map(|s| look.rig.setup(s)).any(|s| s.wiring.as_ref() == Some(wiring))
    };
    let readings = look.session.meter_readings()?;
    for wiring in look.rig.wirings.iter().filter(|w| used(&w.name)) {
        let last = readings.iter().rev().find(|m| m.wiring == wiring.name.as_str() || m.wiring == wiring.network);
        match last {
            None => out.push(Warning::NeverMetered(wiring.name.clone())),
            Some(m) if !m.as_intended => out.push(Warning::ReadWrong(wiring.name.clone())),
            Some(_) => {}
        }
    }
    for setup in look.request.compare.iter().filter_map(|s| look.rig.setup(s)) {
        let too_large = |w: &&RigWarning| matches!(w, RigWarning::Power(Margin::TooLarge { .. }));
        let load = judged(look.rig, setup)?;
        let all = load.iter().flat_map(|l| &l.warnings).filter(too_large);
        out.extend(all.map(|w| Warning::TooLarge(format!("{}: {}", setup.name, text(w)))));
    }
    match look.session.note("last-check")? {
        None => out.push(Warning::Unchecked),
        Some(summary) => floor_warnings(&summary, look, &mut out),
    }
    if look.before > 0
        && !look.plan.simulated
        && let Some(family) = look.plan.family
    {
        out.push(Warning::Further { before: look.before, number: family.number, planned: family.planned });
    }
    Ok(out)
}

fn take_warnings(look: &Look<'_>, out: &mut Vec<Warning>) -> Result<(), Failure> {
    let plan = look.plan;
    let units = |setup| {
        let of: std::collections::BTreeSet<_> =
            plan.clips.iter().filter(|c| &c.setup == setup).map(|c| plan.units.get(&c.take).unwrap_or(&c.take)).collect();
        of.len()
    };
    let fewest = plan.setups.iter().map(units).min().unwrap_or(0);
    let takes = plan.setups.iter().map(|s| plan.clips.iter().filter(|c| &c.setup == s).count()).min().unwrap_or(0);
    let columns = crate::trial::methods::rules(plan.method).columns.len();
    if takes < 2 && columns != 2 && plan.design == Design::Paired {
        out.push(Warning::OwnFile);
    }
    let (rule, least) = (Rule::of(plan.method), least_p_takes(plan));
    if least.is_some_and(|p| p > level(plan)) {
        out.push(Warning::FewTakes { fewest, least_p: least, needed: rule.and_then(|r| r.takes_needed(level(plan))) });
    } else if least.is_none() && fewest < 4 {
        out.push(Warning::FewTakes { fewest, least_p: None, needed: None });
    } else if plan.design == Design::Paired && rule.is_some() {
        out.push(Warning::Paired);
    }
    if plan.design == Design::Crossed {
        match captured(look.session, look.takes)? {
            Captured::AsDrawn => {}
            Captured::NotDrawn => out.push(Warning::OrderNotDrawn),
            Captured::Otherwise => out.push(Warning::OtherOrder),
        }
        let unstated = unstated(look.takes, &look.chosen.clips);
        if unstated > 0 {
            out.push(Warning::DepthUnstated(unstated));
        }
    }
    Ok(())
}

/// Two of the setups differ in their wiring and in their tap.
fn together(look: &Look<'_>) -> bool {
    let setups: Vec<_> = look.request.compare.iter().filter_map(|s| look.rig.setup(s)).collect();
    setups.iter().enumerate().any(|(i, a)| setups[i + 1..].iter().any(|b| a.wiring != b.wiring && a.tap_ohm != b.tap_ohm))
}

/// Most scored trials among which the fewest that reach a level are looked for.
const MOST_SCORED: u64 = 1000;

/// Where the answers of all listeners are one sum: whether the best of them reaches the level.
fn too_few_trials(look: &Look<'_>) -> Option<Warning> {
    let (plan, level) = (look.plan, level(look.plan));
    let (a, b) = plan.method.chance()?;
    let TrialCount::Fixed(trials) = plan.trials else { return None };
    let picks = plan.method == Method::Preference;
    if picks && plan.listeners > 1 {
        return None;
    }
    let g = f64::from(a) / f64::from(b);
    let reaches = |n: u64| if picks { critical_two_sided(n, level).is_some() } else { critical(n, g, level).is_some() };
    let scored = Scored::of(plan, trials).expected().round() as u64;
    let needed = (1..=MOST_SCORED).find(|n| reaches(*n))?;
    (scored < needed).then_some(Warning::TooFewTrials { scored, level, needed })
}

fn control_warnings(look: &Look<'_>, out: &mut Vec<Warning>) {
    let (request, plan) = (look.request, look.plan);
    let Some((a, b)) = request.method.chance() else { return };
    let g = f64::from(a) / f64::from(b);
    let all = |k: u32| u64::from(k) * u64::from(request.listeners);
    let picks = request.method == Method::Preference;
    let reach = |k: u32, level: f64| {
        if picks { critical_two_sided(all(k), level).is_some() } else { critical(all(k), g, level).is_some() }
    };
    let same = plan.controls.same_file;
    if same == 0 {
        out.push(Warning::NoSameFile);
    } else if !reach(same, CUE_LEVEL) {
        out.push(Warning::FewSameFile);
    } else if !picks {
        out.push(Warning::CuePower { trials: all(same), power: cue_power(all(same), g, CUE_SHARE) });
    }
    if plan.controls.repeat > 0 && !reach(plan.controls.repeat, level(plan)) {
        out.push(Warning::FewRepeat);
    }
    let allowed = crate::trial::methods::rules(request.method).controls.contains(&crate::model::trial::TrialKind::Known);
    if allowed && plan.controls.known == 0 && plan.trials != TrialCount::OpenEnded {
        out.push(Warning::NoKnown { proposed: if request.listeners > 1 { 6 } else { 8 } });
    }
    if picks && request.listeners > 1 {
        let least_p = least_p_listeners(u64::from(request.listeners));
        if least_p > level(plan) {
            out.push(Warning::FewListeners { least_p, level: level(plan) });
        }
    }
}

fn floor_warnings(summary: &str, look: &Look<'_>, out: &mut Vec<Warning>) {
    let Ok(summary) = serde_json::from_str::<serde_json::Value>(summary) else { return };
    let name = |v: &serde_json::Value, key: &str| v[key].as_str().unwrap_or_default().to_owned();
    for d in summary["differences"].as_array().into_iter().flatten() {
        let pair = [name(d, "first"), name(d, "second")];
        let compared = |p: &String| look.request.compare.iter().any(|s| s.as_str() == p);
        let ours = pair.iter().all(compared) && name(d, "mic") == look.chosen.mic.as_str();
        if ours && d["above_floor"] == serde_json::Value::Bool(false) {
            out.push(Warning::BelowFloor);
        }
    }
}
