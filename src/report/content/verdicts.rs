//! The sentence of each test, what may be said on its strength and what may not, and the two questions that everybody asks.

use super::{Block, Section, section};
use crate::model::trial::Method;
use crate::model::verdict::VerdictKind;
use crate::report::numbers::{p, percent};
use crate::report::plots::{Plot, PlotError, boxes, evidence, interval, power, scale};
use crate::report::view::{Report, ScoreView, TestView};

/// A test's verdict as it stands at the head of the report.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// `test-1`.
    pub test: String,
    /// What was asked, in a line.
    pub asked: String,
    /// The verdict's name, or `open`.
    pub kind: String,
    /// The sentence.
    pub sentence: String,
    /// Three or four figures: name and value.
    pub figures: Vec<(String, String)>,
    /// Question and answer.
    pub questions: Vec<(String, String)>,
    /// Interval, power or evidence.
    pub plots: Vec<Plot>,
}

/// The verdict of one test.
///
/// # Errors
/// [`PlotError`] when a plot cannot be drawn.
pub fn verdict(test: &TestView) -> Result<Verdict, PlotError> {
    let level = if test.as_recorded { "levels as recorded" } else { "loudness removed" };
    let asked = format!("{} at {}, excerpt {}, {level}: {}", test.pair(), test.mic, test.excerpt, task(test));
    let Some(score) = &test.score else {
        return Ok(Verdict {
            test: test.test.clone(),
            asked,
            kind: "open".to_owned(),
            sentence: format!("No verdict yet: {}.", test.fate),
            figures: Vec::new(),
            questions: Vec::new(),
            plots: Vec::new(),
        });
    };
    let mut plots = Vec::new();
    // Over several setups no single share and no single count decides: the pairs and the scale speak.
    let one_count = test.method.one_count(test.setups.len());
    if score.trials > 0 && one_count {
        plots.push(interval(test, score)?);
    }
    if one_count {
        plots.extend(power(test, score)?);
    }
    plots.extend(evidence(test, score)?);
    plots.extend(scale(test, score)?);
    plots.extend(boxes(test, score)?);
    Ok(Verdict {
        test: test.test.clone(),
        asked,
        kind: score.verdict.name().to_owned(),
        sentence: score.sentence.clone(),
        figures: figures(test, score),
        questions: vec![better(test, score), missed(test, score)],
        plots,
    })
}

/// What the listener was asked.
fn task(test: &TestView) -> String {
    match test.method {
        Method::Abx => "which of A and B is X?".to_owned(),
        Method::DuoTrio => "which of two is the reference's setup?".to_owned(),
        Method::Triangle => "which of three is the odd one?".to_owned(),
        Method::Preference => "which do you prefer?".to_owned(),
        Method::Attribute => {
            format!("which is {}?", test.attribute.as_ref().map_or("more so", |(word, _)| word.as_str()))
        }
        Method::Graded => "how good is each beside the reference?".to_owned(),
    }
}

fn figures(test: &TestView, score: &ScoreView) -> Vec<(String, String)> {
    let mut out = Vec::new();
    if !test.method.one_count(test.setups.len()) {
        // No single count stands for several setups.
        for (name, [low, median, high]) in &score.ratings {
            out.push((name.clone(), format!("{median:.0} of 100 (middle half {low:.0} to {high:.0})")));
        }
        for pair in score.preference.iter().flat_map(|v| &v.pairs) {
            out.push((pair.named(), pair.first_preferred.to_string()));
        }
        out.extend(score.p_value.map(|value| ("p".to_owned(), p(value))));
        return out;
    }
    let right = if test.method == Method::Preference { "preferring the first" } else { "right" };
    out.push((right.to_owned(), format!("{} of {}", score.correct, score.trials)));
    out.push(("expected by chance".to_owned(), format!("{:.1}", score.chance * score.trials as f64)));
    if let Some(critical) = score.critical {
        out.push(("needed, set beforehand".to_owned(), format!("{critical} or more")));
    }
    if let Some(value) = score.p_value {
        out.push(("p, exact".to_owned(), p(value)));
        if let Some(holm) = score.p_holm.filter(|h| (h - value).abs() > 1e-12) {
            out.push(("p after Holm, over the tests of this question".to_owned(), p(holm)));
        }
    } else if let Some(value) = score.anytime_p {
        out.push(("p, valid at any stop".to_owned(), p(value)));
    }
    if let Some([estimate, low, high, _]) = score.distinguishers {
        let text = format!("{} ({} to {})", percent(estimate), percent(low), percent(high));
        out.push(("truly heard, if each trial was heard or guessed".to_owned(), text));
    }
    out
}

/// "May I say that one sounds better?"
fn better(test: &TestView, score: &ScoreView) -> (String, String) {
    let [first, second, ..] = test.setups.as_slice() else {
        return ("May I say that one sounds better?".to_owned(), "No.".to_owned());
    };
    let question = format!("May I say that {first} sounds better than {second}?");
    let who = if score.simulated_only { " And these were simulated listeners: nothing follows for people." } else { "" };
    let answer = match (test.method, score.verdict) {
        (Method::Preference, VerdictKind::Preferred) => {
            "You may say which one these listeners preferred on these recordings, with the figures beside it. Better is a taste; preferred \
             was counted."
        }
        (Method::Preference, _) => "No. No preference was shown, in either direction.",
        (Method::Attribute, VerdictKind::Heard | VerdictKind::HeardSmall) => {
            "No. You may say which one was called more so, in the word that was fixed beforehand. Nobody was asked which they like."
        }
        (Method::Graded, _) => "No. Ratings say how the samples stood beside the reference that was given.",
        (_, VerdictKind::Heard | VerdictKind::HeardSmall) => {
            "No. You may say that the two can be told apart, as the sentence above has it. Which of them is liked is another test: method \
             preference."
        }
        _ => "No. Nobody was asked which they like, and that the two can be told apart was not shown.",
    };
    (question, format!("{answer}{who}"))
}

/// "Could this test have missed it?"
fn missed(test: &TestView, score: &ScoreView) -> (String, String) {
    let question = "Could this test have missed a difference?".to_owned();
    if test.method == Method::Graded {
        let text = format!(
            "It may have: how large a difference {} of ratings can find depends on how much they scatter. More trials or more listeners \
             find smaller ones.",
            crate::report::numbers::count(score.trials as usize, "trial", "trials")
        );
        return (question, text);
    }
    let Some(power) = score.power_at_three_quarters else {
        let text =
            "An open-ended test goes on until somebody stops it; how much it can still find depends on how long it goes on.";
        return (question, text.to_owned());
    };
    let who = if test.method == Method::Preference && test.setups.len() > 2 {
        "Somebody who prefers the same setup of a pair 3 times in 4"
    } else if test.method == Method::Preference {
        "Somebody who prefers the same setup 3 times in 4"
    } else {
        "A listener who is right 3 times in 4"
    };
    let found = format!(
        "{who} would have been found by this test with a chance of {}, and missed in {} of 100 such tests.",
        percent(power),
        ((1.0 - power) * 100.0).round()
    );
    let upper = score.distinguishers.map(|d| d[3]);
    let more = match score.verdict {
        VerdictKind::Heard | VerdictKind::HeardSmall | VerdictKind::Preferred => " It did not miss this one.".to_owned(),
        VerdictKind::DataVoid | VerdictKind::PlayerCue | VerdictKind::RepeatFloor => {
            " But no verdict came out of it: it found nothing, and it excluded nothing.".to_owned()
        }
        VerdictKind::NotShownBounded => upper.map_or_else(String::new, |u| {
            format!(
                " What it can exclude, at 95 %: that more than {} of the trials were truly heard; the smallest effect worth finding was set to {}.",
                percent(u),
                percent(test.bound)
            )
        }),
        _ => upper.map_or_else(String::new, |u| {
            format!(" Up to {} of the trials may truly have been heard (95 % limit), and still this count could have come out.", percent(u))
        }),
    };
    (question, format!("{found}{more}"))
}

/// What this may not claim.
pub fn limits(report: &Report) -> Section {
    let mut points = Vec::new();
    for test in report.tests.iter().filter(|t| t.score.is_some()) {
        let pair = test.pair();
        if test.differs.len() > 1 {
            points.push(format!(
                "{}: that any single one of these did it: {}. They changed together.",
                test.test,
                test.differs.join("; ")
            ));
        }
        if let Some((setup, takes)) = test.takes.iter().min_by_key(|t| t.1).filter(|t| t.1 < 4) {
            points.push(format!(
                "{}: anything beyond these recordings. {setup} has {} behind it; four or more are advised before one speaks of the setup \
                 and not of its takes.",
                test.test,
                super::super::numbers::count(*takes, "take", "takes")
            ));
        }
        if let Some(score) = &test.score {
            if score.simulated_only {
                points.push(format!("{}: anything about people. Only simulated listeners answered.", test.test));
            } else if score.listeners.len() == 1 {
                points.push(format!("{}: anything about other listeners. One person listened.", test.test));
            }
            if matches!(score.verdict, VerdictKind::TooFew | VerdictKind::NotShownBounded | VerdictKind::MixedPanel) {
                points
                    .push(format!("{}: that {pair} sound the same. Not shown to be heard is not shown to be equal.", test.test));
            }
        }
    }
    if report.tests.iter().any(|t| t.score.is_some()) {
        points.push(
            "Anything about other drivers, cabs, amplifiers, mics, rooms, riffs or listening levels than the ones used here."
                .to_owned(),
        );
        points.push(
            "Matching is by integrated loudness over the whole band: it takes the overall level out, it does not make two spectra equally \
             loud at every frequency."
                .to_owned(),
        );
    }
    let blocks = if points.is_empty() { Vec::new() } else { vec![Block::List(points)] };
    section("limits", "What this may not claim", blocks)
}
