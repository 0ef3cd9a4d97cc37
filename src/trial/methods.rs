//! What a listener is asked, and what an answer may be: one table, so that nobody else has to tell methods apart.

use crate::model::trial::{Design, Method, Plan, TrialKind};

/// How many setups a method compares.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Setups {
    /// Two.
    Two,
    /// Two or more.
    TwoOrMore,
}

impl Setups {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Two => "two setups",
            Self::TwoOrMore => "two setups or more",
        }
    }

    /// Whether so many fit.
    #[must_use]
    pub fn fit(self, count: usize) -> bool {
        match self {
            Self::Two => count == 2,
            Self::TwoOrMore => count >= 2,
        }
    }
}

/// What decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Statistic {
    /// Right answers against chance, one-sided exact.
    RightAnswers,
    /// Picks of a pair, two-sided: of one listener exact, of several over their signs.
    Picks,
    /// Ratings: signed ranks, Friedman.
    Ratings,
}

/// A method's rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rules {
    /// The method.
    pub method: Method,
    /// How many setups it compares.
    pub setups: Setups,
    /// Its slots in the order in which they are shown; ratings: the reference, which their numbered samples follow.
    pub slots: &'static [&'static str],
    /// The slot that is heard and never picked.
    pub not_picked: Option<&'static str>,
    /// Chance of guessing right, as an exact ratio; preference: under no preference; ratings have none.
    pub chance: Option<(u32, u32)>,
    /// The question; `{}` stands for the attribute.
    pub question: &'static str,
    /// Instructions in plain words, one sentence each.
    pub instructions: &'static [&'static str],
    /// Controls that may be planned.
    pub controls: &'static [TrialKind],
    /// Designs that may be planned, where setups, takes and options allow.
    pub designs: &'static [Design],
    /// What decides.
    pub statistic: Statistic,
    /// Samples that the takes test looks at, in the order of its columns a, b, x.
    pub columns: &'static [&'static str],
}

const ALL_CONTROLS: &[TrialKind] = &[TrialKind::SameFile, TrialKind::Repeat, TrialKind::Known];
const NO_KNOWN: &[TrialKind] = &[TrialKind::SameFile, TrialKind::Repeat];
const BOTH: &[Design] = &[Design::Crossed, Design::Paired];

static ABX: Rules = Rules {
    method: Method::Abx,
    setups: Setups::Two,
    slots: &["A", "B", "X"],
    not_picked: Some("X"),
    chance: Some((1, 2)),
    question: "Which is X: A or B?",
    instructions: &[
        "A and B are two different setups; X is one of the two.",
        "X may be another take of it: listen to the sound, not to the playing.",
        "Which setup stands under A is drawn anew for every trial.",
        "Listen as often as you like, then say which one X is. If you do not know, guess.",
    ],
    controls: ALL_CONTROLS,
    designs: BOTH,
    statistic: Statistic::RightAnswers,
    columns: &["A", "B", "X"],
};

static DUO_TRIO: Rules = Rules {
    method: Method::DuoTrio,
    slots: &["R", "1", "2"],
    not_picked: Some("R"),
    question: "Which is like R: 1 or 2?",
    instructions: &[
        "R is a reference. One of 1 and 2 is the same setup as R, perhaps another take of it; the other one is not.",
        "Listen as often as you like, then say which one is like R. If you do not know, guess.",
    ],
    columns: &["1", "2", "R"],
    ..ABX
};

static TRIANGLE: Rules = Rules {
    method: Method::Triangle,
    slots: &["1", "2", "3"],
    not_picked: None,
    chance: Some((1, 3)),
    question: "Which is the odd one: 1, 2 or 3?",
    instructions: &[
        "Two of the three samples are the same setup, perhaps two takes of it; one is another setup.",
        "Listen as often as you like, then say which is the odd one. If you do not know, guess.",
    ],
    columns: &["1", "2", "3"],
    ..ABX
};

static PREFERENCE: Rules = Rules {
    method: Method::Preference,
    setups: Setups::TwoOrMore,
    slots: &["1", "2"],
    not_picked: None,
    question: "Which do you prefer: 1 or 2?",
    instructions: &[
        "Two samples. There is no right answer.",
        "Listen as often as you like, then say which one you would rather keep.",
    ],
    controls: NO_KNOWN,
    statistic: Statistic::Picks,
    columns: &["1", "2"],
    ..ABX
};

static ATTRIBUTE: Rules = Rules {
    method: Method::Attribute,
    slots: &["1", "2"],
    not_picked: None,
    question: "Which is {}: 1 or 2?",
    instructions: &[
        "Two samples of two setups.",
        "Listen as often as you like, then answer the question. If you do not know, guess.",
    ],
    controls: NO_KNOWN,
    columns: &["1", "2"],
    ..ABX
};

static GRADED: Rules = Rules {
    method: Method::Graded,
    setups: Setups::TwoOrMore,
    slots: &["R"],
    not_picked: Some("R"),
    chance: None,
    question: "How close is each to R, from 0 (far) to 100 (the same)?",
    instructions: &[
        "R is a reference. One of the others is the reference's own setup again, and one has been made plainly worse.",
        "Rate each sample from 0 (far from R) to 100 (the same as R).",
    ],
    controls: &[],
    designs: &[Design::Paired],
    statistic: Statistic::Ratings,
    columns: &[],
};

/// What crossed trials are told instead, where setups are not laid side by side on purpose.
const CROSSED: &[&str] = &[
    "The samples are drawn from all recordings. In some trials they are of one setup; you are asked the same question then.",
    "Listen to the sound, not to the playing, as often as you like. If you do not know, guess.",
];

/// The rules of a method.
#[must_use]
pub fn rules(method: Method) -> &'static Rules {
    match method {
        Method::Abx => &ABX,
        Method::DuoTrio => &DUO_TRIO,
        Method::Triangle => &TRIANGLE,
        Method::Preference => &PREFERENCE,
        Method::Attribute => &ATTRIBUTE,
        Method::Graded => &GRADED,
    }
}

/// Why a plan cannot be crossed, in words; `None` where it can. Whether its takes suffice is another question.
#[must_use]
pub fn not_crossed(plan: &Plan) -> Option<&'static str> {
    let open = plan.trials == crate::model::trial::TrialCount::OpenEnded;
    [
        (!rules(plan.method).designs.contains(&Design::Crossed), "ratings lay one take of each setup side by side"),
        (plan.setups.len() != 2, "only two setups can be crossed"),
        (plan.method == Method::DuoTrio && plan.reference.is_some(), "a fixed reference looks at the setups"),
        (open, "a test without an end is exact only in the paired design"),
        (plan.controls.repeat > 0, "trials that are not scored are the repeat takes here: no repeat controls are needed"),
    ]
    .into_iter()
    .find_map(|(holds, why)| holds.then_some(why))
}

/// The labels of a trial's slots, in the order in which they are shown. `stimuli` is the number of rated samples of `graded`.
#[must_use]
pub fn labels(method: Method, stimuli: usize) -> Vec<String> {
    let rules = rules(method);
    let rated = if rules.statistic == Statistic::Ratings { stimuli } else { 0 };
    rules.slots.iter().map(|l| (*l).to_owned()).chain((1..=rated).map(|i| i.to_string())).collect()
}

/// What may be picked. For `graded` these are the samples that are rated.
#[must_use]
pub fn choices(method: Method, stimuli: usize) -> Vec<String> {
    let not_picked = rules(method).not_picked;
    labels(method, stimuli).into_iter().filter(|l| Some(l.as_str()) != not_picked).collect()
}

/// The method's question. It names no setup and is never the session's own question.
#[must_use]
pub fn question(plan: &Plan) -> String {
    rules(plan.method).question.replace("{}", plan.attribute.as_deref().unwrap_or("more so"))
}

/// Instructions in plain words, one sentence each.
#[must_use]
pub fn instructions(method: Method) -> &'static [&'static str] {
    rules(method).instructions
}

/// Instructions of a plan: a crossed one promises nothing about setups.
#[must_use]
pub fn instructions_of(plan: &Plan) -> &'static [&'static str] {
    if plan.design == Design::Crossed { CROSSED } else { instructions(plan.method) }
}
