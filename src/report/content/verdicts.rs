//! The sentence of each test, what may be said on its strength and what may not, and the two questions that everybody asks.

use super::{Block, Section, section};
use crate::model::result::PreferenceDoc;
use crate::model::trial::Method;
use crate::model::verdict::{Subject, VerdictKind};
use crate::report::plots::{Plot, PlotError, boxes, evidence, interval, power, scale, splits, takes};
use crate::report::text::{expected, p, percent};
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
    /// Verdict word and counts in one line.
    pub headline: String,
    /// The sentence.
    pub sentence: String,
    /// Who vouches: one line.
    pub witnessed: String,
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
            headline: "No verdict yet".to_owned(),
            sentence: format!("No verdict yet: {}.", test.fate),
            witnessed: test.witnessed.clone(),
            figures: Vec::new(),
            questions: Vec::new(),
            plots: Vec::new(),
        });
    };
    let mut plots = Vec::new();
    // Over several setups no single share and no single count decides: the pairs and the scale speak.
    let one_count = test.method.one_count(test.setups.len());
    if score.result.count.trials > 0 && one_count {
        plots.extend(interval(test, score)?);
    }
    if one_count {
        plots.extend(power(test, score)?);
    }
    plots.extend(takes(test, score)?);
    plots.extend(splits(test)?);
    plots.extend(evidence(test, score)?);
    plots.extend(scale(test, score)?);
    plots.extend(boxes(test, score)?);
    Ok(Verdict {
        test: test.test.clone(),
        asked,
        kind: score.result.verdict.name().to_owned(),
        headline: score.result.headline.clone(),
        sentence: score.result.sentence.clone(),
        witnessed: test.witnessed.clone(),
        figures: figures(test, score),
        questions: vec![better(test, score), missed(test, score)],
        plots,
    })
}

/// What the listener was asked.
#[must_use]
pub fn task(test: &TestView) -> String {
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
    let (r, c) = (&score.result, &score.result.count);
    let mut out = Vec::new();
    let mut figure = |name: &str, value: String| out.push((name.to_owned(), value));
    if let Some(right) = c.correct.filter(|_| test.method.one_count(test.setups.len())) {
        let what = if test.method == Method::Preference { "preferring the first" } else { "right" };
        figure(what, format!("{right} of {}", c.trials));
        figure("expected by chance", expected(c.chance.unwrap_or(0.5) * c.trials as f64));
    } else {
        for (name, [low, median, high]) in &score.ratings() {
            figure(name, format!("{median:.0} of 100 (middle half {low:.0} to {high:.0})"));
        }
        for pair in r.preference.iter().flatten() {
            figure(&named(pair), pair.first_preferred.to_string());
        }
    }
    if let Some(critical) = c.critical {
        figure("needed, set beforehand", format!("{critical} or more"));
    }
    match (c.p_value, c.anytime_p, r.p_listeners) {
        (_, _, Some(value)) => figure("p, listeners as units", p(value)),
        (Some(value), _, None) => figure("p, exact", p(value)),
        (None, Some(value), None) => figure("p, valid at any stop", p(value)),
        (None, None, None) => {}
    }
    if let Some(value) = r.p_by_picks.filter(|_| r.p_listeners.is_some()) {
        figure("p by picks, which does not decide", p(value));
    }
    if let Some(value) = r.p_takes {
        figure("p of the takes", format!("{} ({} splits)", p(value), r.takes_splits.unwrap_or(0)));
    }
    if let Some(value) = r.p_family.filter(|_| r.head.family.planned > 1) {
        figure("p over the declared tests", p(value));
    }
    if let Some(d) = c.distinguishers {
        let text = format!("{} ({} to {})", percent(d.estimate), percent(d.low), percent(d.high));
        figure("truly heard, if each trial was heard or guessed", text);
    }
    if let Some(e) = r.second_opinion.as_ref().and_then(|o| o.panel) {
        let text = format!("{} ({} to {})", percent(e.median), percent(e.low), percent(e.high));
        figure("the same by a Bayesian estimate, which does not decide", text);
    }
    out
}

/// `one over two, of 12 picks`.
#[must_use]
pub fn named(pair: &PreferenceDoc) -> String {
    format!("{} over {}, of {} picks", pair.first, pair.second, pair.picks)
}

/// "May I say that one sounds better?"
fn better(test: &TestView, score: &ScoreView) -> (String, String) {
    let [first, second, ..] = test.setups.as_slice() else {
        return ("May I say that one sounds better?".to_owned(), "No.".to_owned());
    };
    let question = format!("May I say that {first} sounds better than {second}?");
    let who = if score.result.simulated_only { " And these were simulated listeners: nothing follows for people." } else { "" };
    let answer = match (test.method, score.result.verdict) {
        (Method::Preference, VerdictKind::Preferred) => {
            "You may say which one these listeners preferred on these recordings, with the figures beside it. Better is a taste; preferred \
             was counted."
        }
        (Method::Preference, VerdictKind::Divided) => {
            "No. Opinions differ: you may say how many preferred which, on these recordings."
        }
        (Method::Preference, _) => "No. No preference was shown, in either direction.",
        (Method::Attribute, VerdictKind::Heard | VerdictKind::HeardSome | VerdictKind::HeardSmall) => {
            "No. You may say which one was called more so, in the word that was fixed beforehand. Nobody was asked which they like."
        }
        (Method::Graded, _) => "No. Ratings say how the samples stood beside the reference that was given.",
        (_, VerdictKind::Heard | VerdictKind::HeardSome | VerdictKind::HeardSmall) => {
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
            crate::report::text::count(score.result.head.done as usize, "trial", "trials")
        );
        return (question, text);
    }
    let Some(power) = score.power_at_three_quarters() else {
        let text = if test.planned.is_some() {
            "It may have: with several listeners a preference is found where listeners agree, and how large a lean that needs depends on how \
             much they differ."
        } else {
            "An open-ended test goes on until somebody stops it; how much it can still find depends on how long it goes on."
        };
        return (question, text.to_owned());
    };
    let who = if test.method == Method::Preference {
        "Somebody who prefers the same setup 3 times in 4"
    } else {
        "A listener who is right 3 times in 4"
    };
    let found = format!("{who} would have been found by this test with a chance of {}, and missed otherwise.", percent(power));
    let upper = score.result.count.distinguishers.map(|d| d.upper95);
    let more = match score.result.verdict {
        VerdictKind::Heard | VerdictKind::HeardSome | VerdictKind::HeardSmall | VerdictKind::Preferred => {
            " It did not miss this one.".to_owned()
        }
        VerdictKind::DataVoid | VerdictKind::PlayerCue | VerdictKind::RepeatFloor | VerdictKind::Insensitive => {
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
                "{}: anything beyond these recordings. {setup} has {} behind it; five are advised before one speaks of the setup and not \
                 of its takes.",
                test.test,
                super::super::text::count(*takes, "take", "takes")
            ));
        }
        if let Some(score) = &test.score {
            if score.result.simulated_only {
                points.push(format!("{}: anything about people. Only simulated listeners answered.", test.test));
            } else if score.result.listeners.len() == 1 {
                points.push(format!("{}: anything about other listeners. One person listened.", test.test));
            }
            if score.result.subject == Some(Subject::Recordings) {
                points.push(format!("{}: that it was the setups and not the takes. That is not shown.", test.test));
            }
            let negative = [
                VerdictKind::TooFew,
                VerdictKind::NotShownBounded,
                VerdictKind::MixedPanel,
                VerdictKind::Insensitive,
                VerdictKind::NoPreferenceBounded,
            ];
            if negative.contains(&score.result.verdict) {
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
