//! Independent fair draws, just in time. Nothing about a trial exists before it is opened; the key of each trial is its own draw, which is
//! the one assumption on which the exact test rests.

use super::hidden::Hidden;
use super::methods;
use crate::model::explain::{Explain, Fate};
use crate::model::ids::{ClipId, SetupName, TakeId};
use crate::model::random::RandomWords;
use crate::model::trial::{Method, OrderRecord, Plan, SlotRecord, TrialCount, TrialKind};

/// The clips that a plan may play: per setup its takes with their clips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pool {
    setups: Vec<(SetupName, Vec<(TakeId, ClipId)>)>,
}

/// A plan that cannot be drawn from.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DrawError {
    /// Fewer setups than the method needs, or a setup without clips.
    #[error("{method} wants {wanted}, the plan has {found}")]
    NotEnough {
        /// The method.
        method: Method,
        /// What it wants.
        wanted: &'static str,
        /// What there is.
        found: String,
    },
}

impl Explain for DrawError {
    fn kind(&self) -> &'static str {
        "cannot-draw"
    }
    fn next(&self) -> String {
        "import what is missing, run match again, and plan anew".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Refused
    }
}

/// How far a listener is: answered trials by kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Progressed {
    /// Answered scored trials.
    pub scored: u32,
    /// Answered same-file trials.
    pub same_file: u32,
    /// Answered repeat trials.
    pub repeat: u32,
}

impl Progressed {
    /// All answered trials.
    #[must_use]
    pub fn all(self) -> u32 {
        self.scored + self.same_file + self.repeat
    }
}

/// All trials of one listener, controls included; `None` when no end is set.
#[must_use]
pub fn planned(plan: &Plan) -> Option<u32> {
    match plan.trials {
        TrialCount::Fixed(n) => Some(n + plan.controls.same_file + plan.controls.repeat),
        TrialCount::OpenEnded => None,
    }
}

impl Pool {
    /// The pool of a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        let of = |setup: &SetupName| {
            plan.clips.iter().filter(|c| &c.setup == setup).map(|c| (c.take.clone(), c.clip.clone())).collect()
        };
        Self { setups: plan.setups.iter().map(|s| (s.clone(), of(s))).collect() }
    }

    fn any(&self, setup: usize, random: &mut dyn RandomWords) -> (TakeId, ClipId) {
        let takes = &self.setups[setup].1;
        takes[random.below(takes.len() as u64) as usize].clone()
    }

    /// Another take of the same setup than this one; the same one where there is no other.
    fn fresh(&self, setup: usize, not: &TakeId, random: &mut dyn RandomWords) -> (TakeId, ClipId) {
        let takes = &self.setups[setup].1;
        let others: Vec<_> = takes.iter().filter(|(t, _)| t != not).collect();
        match others.len() {
            0 => takes[0].clone(),
            n => others[random.below(n as u64) as usize].clone(),
        }
    }

    /// A setup with at least two takes, if there is one.
    fn repeated(&self, random: &mut dyn RandomWords) -> Option<usize> {
        let fit: Vec<usize> = (0..self.setups.len()).filter(|s| self.setups[*s].1.len() >= 2).collect();
        if fit.is_empty() { None } else { Some(fit[random.below(fit.len() as u64) as usize]) }
    }

    fn check(&self, plan: &Plan) -> Result<(), DrawError> {
        let fail = |wanted, found: String| Err(DrawError::NotEnough { method: plan.method, wanted, found });
        if let Some((name, _)) = self.setups.iter().find(|(_, takes)| takes.is_empty()) {
            return fail("a clip of every setup", format!("none of {name}"));
        }
        let many = matches!(plan.method, Method::Preference | Method::Graded);
        let fits = if many { self.setups.len() >= 2 } else { self.setups.len() == 2 };
        if !fits {
            let wanted = if many { "two setups or more" } else { "two setups" };
            return fail(wanted, self.setups.len().to_string());
        }
        if plan.controls.repeat > 0 && self.setups.iter().all(|(_, takes)| takes.len() < 2) {
            return fail("a setup with two takes for its repeat trials", "one take of each".to_owned());
        }
        Ok(())
    }
}

fn coin(random: &mut dyn RandomWords) -> bool {
    random.below(2) == 1
}

/// The kind of the next trial: the controls that are left are spread over the trials that are left by a draw of their own. A test without an
/// end spreads them over about twice their number of scored trials.
fn kind(plan: &Plan, done: Progressed, random: &mut dyn RandomWords) -> TrialKind {
    let same = plan.controls.same_file.saturating_sub(done.same_file);
    let repeat = plan.controls.repeat.saturating_sub(done.repeat);
    let scored = match plan.trials {
        TrialCount::Fixed(n) => n.saturating_sub(done.scored),
        TrialCount::OpenEnded => 2 * (same + repeat) + 1,
    };
    let at = random.below(u64::from(same) + u64::from(repeat) + u64::from(scored));
    if at < u64::from(same) {
        TrialKind::SameFile
    } else if at < u64::from(same) + u64::from(repeat) {
        TrialKind::Repeat
    } else {
        TrialKind::Scored
    }
}

/// Slots in order of their labels, and the label that is right.
struct Laid {
    clips: Vec<(ClipId, bool)>,
    right: Option<String>,
}

fn plain(clips: Vec<(TakeId, ClipId)>, right: Option<String>) -> Laid {
    Laid { clips: clips.into_iter().map(|(_, c)| (c, false)).collect(), right }
}

/// Draws the next trial of a listener who has answered so many.
///
/// # Errors
/// [`DrawError`] when the plan has too few setups or clips for its method.
pub fn draw_trial(plan: &Plan, done: Progressed, random: &mut dyn RandomWords) -> Result<Hidden, DrawError> {
    let pool = Pool::of(plan);
    pool.check(plan)?;
    let mut kind = if plan.method == Method::Graded { TrialKind::Scored } else { kind(plan, done, random) };
    let laid = match kind {
        TrialKind::Scored => scored(plan, &pool, done, random),
        TrialKind::SameFile => same_file(plan.method, &pool, random),
        TrialKind::Repeat => match pool.repeated(random) {
            Some(setup) => repeat(plan.method, &pool, setup, random),
            None => {
                kind = TrialKind::Scored;
                scored(plan, &pool, done, random)
            }
        },
    };
    let stimuli = laid.clips.len().saturating_sub(1);
    let slots = methods::labels(plan.method, stimuli)
        .into_iter()
        .zip(laid.clips)
        .map(|(label, (clip, anchor))| SlotRecord { label, clip, anchor })
        .collect();
    let order = OrderRecord { kind, slots, right: laid.right };
    Ok(Hidden::new(plan.method, methods::choices(plan.method, stimuli), order, random))
}

fn scored(plan: &Plan, pool: &Pool, done: Progressed, random: &mut dyn RandomWords) -> Laid {
    match plan.method {
        Method::Abx => abx(pool, random),
        Method::DuoTrio => duo_trio(plan, pool, random),
        Method::Triangle => triangle(pool, random),
        Method::Preference => preference(pool, done, random),
        Method::Attribute => attribute(plan, pool, random),
        Method::Graded => graded(plan, pool, random),
    }
}

fn abx(pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let first = usize::from(coin(random));
    let (a, b) = (pool.any(first, random), pool.any(1 - first, random));
    let x_is_a = coin(random);
    let x = if x_is_a { pool.fresh(first, &a.0, random) } else { pool.fresh(1 - first, &b.0, random) };
    plain(vec![a, b, x], Some(if x_is_a { "A" } else { "B" }.to_owned()))
}

fn duo_trio(plan: &Plan, pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let named = plan.reference.as_ref().and_then(|r| plan.setups.iter().position(|s| s == r));
    let setup = named.unwrap_or_else(|| usize::from(coin(random)));
    let reference = pool.any(setup, random);
    let like = pool.fresh(setup, &reference.0, random);
    let unlike = pool.any(1 - setup, random);
    if coin(random) {
        plain(vec![reference, like, unlike], Some("1".to_owned()))
    } else {
        plain(vec![reference, unlike, like], Some("2".to_owned()))
    }
}

fn triangle(pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let odd_setup = usize::from(coin(random));
    let odd = pool.any(odd_setup, random);
    let like = pool.any(1 - odd_setup, random);
    let second = pool.fresh(1 - odd_setup, &like.0, random);
    at_odd_place(odd, like, second, random)
}

fn at_odd_place(odd: (TakeId, ClipId), first: (TakeId, ClipId), second: (TakeId, ClipId), random: &mut dyn RandomWords) -> Laid {
    let place = random.below(3) as usize;
    let mut clips = vec![first, second];
    clips.insert(place, odd);
    plain(clips, Some((place + 1).to_string()))
}

/// Round-robin over all pairs of setups; which of the two is first is a fair draw.
fn preference(pool: &Pool, done: Progressed, random: &mut dyn RandomWords) -> Laid {
    let k = pool.setups.len();
    let pairs: Vec<(usize, usize)> = (0..k).flat_map(|i| (i + 1..k).map(move |j| (i, j))).collect();
    let (i, j) = pairs[done.scored as usize % pairs.len()];
    let (first, second) = if coin(random) { (i, j) } else { (j, i) };
    plain(vec![pool.any(first, random), pool.any(second, random)], None)
}

fn attribute(plan: &Plan, pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let expected = plan.expect.as_ref().and_then(|e| plan.setups.iter().position(|s| s == e)).unwrap_or(0);
    let (more, less) = (pool.any(expected, random), pool.any(1 - expected, random));
    if coin(random) { plain(vec![more, less], Some("1".to_owned())) } else { plain(vec![less, more], Some("2".to_owned())) }
}

/// The reference openly, then in drawn places: the hidden reference (a repeat take where there is one), the other setups, and the anchor.
fn graded(plan: &Plan, pool: &Pool, mut random: &mut dyn RandomWords) -> Laid {
    let reference = plan.reference.as_ref().and_then(|r| plan.setups.iter().position(|s| s == r)).unwrap_or(0);
    let open = pool.any(reference, random);
    let hidden = pool.fresh(reference, &open.0, random);
    let mut rated: Vec<(ClipId, bool)> = vec![(hidden.1.clone(), false), (hidden.1, true)];
    for setup in (0..pool.setups.len()).filter(|s| *s != reference) {
        rated.push((pool.any(setup, random).1, false));
    }
    RandomWords::shuffle(&mut random, &mut rated);
    rated.insert(0, (open.1, false));
    Laid { clips: rated, right: None }
}

/// All slots are one file. The right answer is drawn all the same, so that a cue of the player would show as right answers.
fn same_file(method: Method, pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let setup = random.below(pool.setups.len() as u64) as usize;
    let file = pool.any(setup, random);
    let labels = methods::labels(method, 2);
    let choices = methods::choices(method, 2);
    let right = if method == Method::Preference {
        // No right answer exists; what is counted is how often the first one was picked.
        "1".to_owned()
    } else {
        choices[random.below(choices.len() as u64) as usize].clone()
    };
    plain(vec![file; labels.len()], Some(right))
}

/// Two takes of one setup, and one of the two files again.
fn repeat(method: Method, pool: &Pool, setup: usize, random: &mut dyn RandomWords) -> Laid {
    let first = pool.any(setup, random);
    let other = pool.fresh(setup, &first.0, random);
    match method {
        Method::Abx => {
            let x_is_a = coin(random);
            let x = if x_is_a { first.clone() } else { other.clone() };
            plain(vec![first, other, x], Some(if x_is_a { "A" } else { "B" }.to_owned()))
        }
        Method::DuoTrio => {
            if coin(random) {
                plain(vec![first.clone(), first, other], Some("1".to_owned()))
            } else {
                plain(vec![first.clone(), other, first], Some("2".to_owned()))
            }
        }
        Method::Triangle => at_odd_place(other, first.clone(), first, random),
        Method::Preference => plain(vec![first, other], Some("1".to_owned())),
        Method::Attribute | Method::Graded => {
            let right = if coin(random) { "1" } else { "2" };
            plain(vec![first, other], Some(right.to_owned()))
        }
    }
}
