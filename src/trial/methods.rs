//! What a listener is asked, and what an answer may be.

use crate::model::trial::{Method, Plan};

/// The labels of a trial's slots, in the order in which they are shown. `stimuli` is the number of rated samples of `graded`.
#[must_use]
pub fn labels(method: Method, stimuli: usize) -> Vec<String> {
    let fixed = |labels: &[&str]| labels.iter().map(|l| (*l).to_owned()).collect();
    match method {
        Method::Abx => fixed(&["A", "B", "X"]),
        Method::DuoTrio => fixed(&["R", "1", "2"]),
        Method::Triangle => fixed(&["1", "2", "3"]),
        Method::Preference | Method::Attribute => fixed(&["1", "2"]),
        Method::Graded => std::iter::once("R".to_owned()).chain((1..=stimuli).map(|i| i.to_string())).collect(),
    }
}

/// What may be picked. For `graded` these are the samples that are rated.
#[must_use]
pub fn choices(method: Method, stimuli: usize) -> Vec<String> {
    let not_picked = match method {
        Method::Abx => "X",
        Method::DuoTrio | Method::Graded => "R",
        Method::Triangle | Method::Preference | Method::Attribute => "",
    };
    labels(method, stimuli).into_iter().filter(|l| l != not_picked).collect()
}

/// The method's question. It names no setup and is never the session's own question.
#[must_use]
pub fn question(plan: &Plan) -> String {
    match plan.method {
        Method::Abx => "Which is X: A or B?".to_owned(),
        Method::DuoTrio => "Which is like R: 1 or 2?".to_owned(),
        Method::Triangle => "Which is the odd one: 1, 2 or 3?".to_owned(),
        Method::Preference => "Which do you prefer: 1 or 2?".to_owned(),
        Method::Attribute => format!("Which is {}: 1 or 2?", plan.attribute.as_deref().unwrap_or("more so")),
        Method::Graded => "How close is each to R, from 0 (far) to 100 (the same)?".to_owned(),
    }
}

/// Instructions in plain words, one sentence each.
#[must_use]
pub fn instructions(method: Method) -> &'static [&'static str] {
    match method {
        Method::Abx => &[
            "A and B are two different setups; X is one of the two.",
            "X may be another take of it: listen to the sound, not to the playing.",
            "Which setup stands under A is drawn anew for every trial.",
            "Listen as often as you like, then say which one X is. If you do not know, guess.",
        ],
        Method::DuoTrio => &[
            "R is a reference. One of 1 and 2 is the same setup as R, perhaps another take of it; the other one is not.",
            "Listen as often as you like, then say which one is like R. If you do not know, guess.",
        ],
        Method::Triangle => &[
            "Two of the three samples are the same setup, perhaps two takes of it; one is another setup.",
            "Listen as often as you like, then say which is the odd one. If you do not know, guess.",
        ],
        Method::Preference => {
            &["Two samples. There is no right answer.", "Listen as often as you like, then say which one you would rather keep."]
        }
        Method::Attribute => {
            &["Two samples of two setups.", "Listen as often as you like, then answer the question. If you do not know, guess."]
        }
        Method::Graded => &[
            "R is a reference. One of the others is the reference's own setup again, and one has been made plainly worse.",
            "Rate each sample from 0 (far from R) to 100 (the same as R).",
        ],
    }
}
