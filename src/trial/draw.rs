//! Independent fair draws, just in time. Nothing about a trial exists before it is opened; the key of each trial is its own draw, which is
//! the one assumption on which the exact test rests.

use super::crossed::{distinct, right_place};
use super::hidden::Hidden;
use super::methods;
use crate::model::explain::{Explain, Fate};
use crate::model::ids::{ClipId, SetupName, TakeId};
use crate::model::random::RandomWords;
use crate::model::trial::{Design, Method, OrderRecord, Plan, SlotRecord, TrialCount, TrialKind};

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
    /// Answered known-difference trials.
    pub known: u32,
}

impl Progressed {
    /// All answered trials.
    #[must_use]
    pub fn all(self) -> u32 {
        self.scored + self.same_file + self.repeat + self.known
    }

    /// Takes one more answered trial of that kind.
    pub fn add(&mut self, kind: TrialKind) {
        let count = match kind {
            TrialKind::Scored => &mut self.scored,
            TrialKind::SameFile => &mut self.same_file,
            TrialKind::Repeat => &mut self.repeat,
            TrialKind::Known => &mut self.known,
        };
        *count += 1;
    }
}

/// All trials of one listener, controls included; `None` when no end is set.
#[must_use]
pub fn planned(plan: &Plan) -> Option<u32> {
    match plan.trials {
        TrialCount::Fixed(n) => Some(n + plan.controls.same_file + plan.controls.repeat + plan.controls.known),
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
        let rules = methods::rules(plan.method);
        if !rules.setups.fit(self.setups.len()) {
            return fail(rules.setups.words(), self.setups.len().to_string());
        }
        if plan.design == Design::Crossed {
            if let Some(why) = methods::not_crossed(plan) {
                return fail("the paired design", format!("the crossed one: {why}"));
            }
            if plan.clips.len() < rules.columns.len() {
                return fail("three takes in all to cross", plan.clips.len().to_string());
            }
        }
        if plan.controls.known > 0 && !rules.controls.contains(&TrialKind::Known) {
            return fail("no known-difference controls", plan.controls.known.to_string());
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
    let left = [
        (TrialKind::SameFile, plan.controls.same_file.saturating_sub(done.same_file)),
        (TrialKind::Repeat, plan.controls.repeat.saturating_sub(done.repeat)),
        (TrialKind::Known, plan.controls.known.saturating_sub(done.known)),
    ];
    let controls: u64 = left.iter().map(|(_, n)| u64::from(*n)).sum();
    let scored = match plan.trials {
        TrialCount::Fixed(n) => u64::from(n.saturating_sub(done.scored)),
        TrialCount::OpenEnded => 2 * controls + 1,
    };
    let mut at = random.below(controls + scored);
    for (kind, n) in left {
        if at < u64::from(n) {
            return kind;
        }
        at -= u64::from(n);
    }
    TrialKind::Scored
}

/// Slots in order of their labels, and the label that is right.
struct Laid {
    clips: Vec<Sample>,
    right: Option<String>,
}

/// A clip and what is done to it.
struct Sample {
    clip: ClipId,
    anchor: bool,
    raised: bool,
}

impl Sample {
    fn plain(clip: ClipId) -> Self {
        Self { clip, anchor: false, raised: false }
    }
}

fn plain(clips: Vec<(TakeId, ClipId)>, right: Option<String>) -> Laid {
    Laid { clips: clips.into_iter().map(|(_, c)| Sample::plain(c)).collect(), right }
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
        TrialKind::Scored if plan.design == Design::Crossed => crossed(plan, random),
        TrialKind::Scored => scored(plan, &pool, done, random),
        TrialKind::SameFile => same_file(plan, &pool, random),
        TrialKind::Known => known(plan, random),
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
        .map(|(label, s)| SlotRecord { label, clip: s.clip, anchor: s.anchor, raised: s.raised })
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
    let anchor = Sample { anchor: true, ..Sample::plain(hidden.1.clone()) };
    let mut rated = vec![Sample::plain(hidden.1), anchor];
    for setup in (0..pool.setups.len()).filter(|s| *s != reference) {
        rated.push(Sample::plain(pool.any(setup, random).1));
    }
    RandomWords::shuffle(&mut random, &mut rated);
    rated.insert(0, Sample::plain(open.1));
    Laid { clips: rated, right: None }
}

/// All slots are one file. The right answer is drawn all the same, so that a cue of the player would show as right answers.
fn same_file(plan: &Plan, pool: &Pool, random: &mut dyn RandomWords) -> Laid {
    let method = plan.method;
    let file = match distinct(plan, 1, random).first() {
        Some(clip) if plan.design == Design::Crossed => (clip.take.clone(), clip.clip.clone()),
        _ => {
            let setup = random.below(pool.setups.len() as u64) as usize;
            pool.any(setup, random)
        }
    };
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

/// Distinct takes of both setups in a drawn order, without looking at the setup. Only then is it asked whether the trial is scored.
fn crossed(plan: &Plan, random: &mut dyn RandomWords) -> Laid {
    let columns = methods::rules(plan.method).columns;
    let drawn = distinct(plan, columns.len(), random);
    let setups: Vec<&SetupName> = drawn.iter().map(|c| &c.setup).collect();
    let expected = plan.expect.as_ref().or(plan.setups.first());
    let right = right_place(plan.method, &setups, expected).and_then(|place| columns.get(place)).map(|l| (*l).to_owned());
    let by_label = |label: &&str| columns.iter().position(|c| c == label).and_then(|i| drawn.get(i));
    let clips =
        methods::rules(plan.method).slots.iter().filter_map(|label| by_label(label).map(|c| Sample::plain(c.clip.clone())));
    Laid { clips: clips.collect(), right }
}

/// One take against itself, raised: only the level differs. Which samples are raised is drawn, so that neither the loud nor the soft one is
/// the right one oftener.
fn known(plan: &Plan, random: &mut dyn RandomWords) -> Laid {
    let rules = methods::rules(plan.method);
    // Columns: a and b differ, x is like one of them; or one of three is the odd one.
    let (loud, right) = match plan.method {
        Method::Triangle => {
            let (odd, raised) = (random.below(3) as usize, coin(random));
            ((0..3).map(|i| (i == odd) == raised).collect::<Vec<bool>>(), odd)
        }
        _ => {
            let (a, x) = (coin(random), coin(random));
            (vec![a, !a, x], usize::from(x != a))
        }
    };
    let clip = distinct(plan, 1, random).first().map(|c| c.clip.clone());
    let raised = |label: &str| rules.columns.iter().position(|c| *c == label).and_then(|i| loud.get(i)).copied().unwrap_or(false);
    let clips = rules
        .slots
        .iter()
        .filter_map(|label| clip.clone().map(|clip| Sample { clip, anchor: false, raised: raised(label) }))
        .collect();
    Laid { clips, right: rules.columns.get(right).map(|l| (*l).to_owned()) }
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
