//! What a result card says: compared, what changed, how sure, who, and what it does not say. Short, and nothing that the sentence does not
//! allow.

use crate::model::trial::{Design, Method};
use crate::model::verdict::{Subject, VerdictKind};
use crate::report::content::verdicts::task;
use crate::report::text::{count, named_p, p_text, percent};
use crate::report::view::{ScoreView, TestView};

/// The words of a card.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Words {
    /// `simulated listeners`, `exploratory`, `practice`: what has to be seen at once.
    pub tags: Vec<String>,
    /// What listeners were asked about which setups.
    pub asked: String,
    /// The verdict's headline.
    pub headline: String,
    /// Name and text.
    pub facts: Vec<(&'static str, String)>,
    /// What it does not say, the most important first.
    pub not_said: Vec<String>,
    /// The line to hold against the session.
    pub fingerprint: String,
}

/// Most things that a card says it does not say.
const MOST_NOT_SAID: usize = 3;

/// The words for a closed test.
#[must_use]
pub fn words(test: &TestView, score: &ScoreView) -> Words {
    Words {
        tags: tags(score),
        asked: format!("{}: {}", test.pair(), task(test)),
        headline: score.result.headline.clone(),
        facts: facts(test, score),
        not_said: not_said(test, score),
        fingerprint: test.fingerprint.clone().unwrap_or_default(),
    }
}

fn tags(score: &ScoreView) -> Vec<String> {
    let r = &score.result;
    let all = [
        (r.simulated_only, "simulated listeners"),
        (r.practice_only, "practice without sound"),
        (r.head.exploratory, "exploratory"),
    ];
    all.iter().filter(|(on, _)| *on).map(|(_, tag)| (*tag).to_owned()).collect()
}

fn facts(test: &TestView, score: &ScoreView) -> Vec<(&'static str, String)> {
    let level = if test.as_recorded { "levels as recorded" } else { "loudness matched" };
    vec![
        ("What sounded", format!("mic {}, excerpt {}, {level}", test.mic, test.excerpt)),
        ("What changed", changed(test)),
        ("How sure", sure(test, score)),
        ("Who and what", who(test, score)),
    ]
}

fn changed(test: &TestView) -> String {
    let whole = test.differs.join("; ");
    if test.differs.is_empty() {
        return "not stated".to_owned();
    }
    if whole.chars().count() <= 96 {
        return whole;
    }
    let heads: Vec<&str> = test.differs.iter().map(|d| d.split(':').next().unwrap_or(d).trim()).collect();
    format!("{}{}", heads.join(", "), if heads.len() > 1 { ", together" } else { "" })
}

/// No verdict came out.
fn void(kind: VerdictKind) -> bool {
    matches!(kind, VerdictKind::DataVoid | VerdictKind::PlayerCue | VerdictKind::RepeatFloor | VerdictKind::Insensitive)
}

/// Something was told apart or preferred.
fn positive(kind: VerdictKind) -> bool {
    matches!(
        kind,
        VerdictKind::Heard | VerdictKind::HeardSome | VerdictKind::HeardSmall | VerdictKind::Preferred | VerdictKind::RatedApart
    )
}

fn sure(test: &TestView, score: &ScoreView) -> String {
    let (r, c) = (&score.result, &score.result.count);
    if void(r.verdict) {
        return "nothing follows from it, in either direction".to_owned();
    }
    let mut said = Vec::new();
    if r.verdict == VerdictKind::Reversed {
        let p = r.p_reversed.unwrap_or(1.0);
        said.push(format!("guessing alone gets as few right in {} of tests ({})", percent(p), p_text(p)));
    } else if let Some(p) = r.p_listeners.or(c.p_value) {
        let who = match test.method {
            Method::Preference => "listeners without a preference get",
            Method::Graded => "ratings at random get",
            _ => "guessing alone gets",
        };
        said.push(format!("{who} this far in {} of tests ({})", percent(p), p_text(p)));
    } else if let Some(p) = c.anytime_p {
        said.push(format!("{}, valid at any stop", p_text(p)));
    }
    if let Some(p) = r.p_takes {
        said.push(named_p("takes p", p));
    }
    if let Some(d) = c.distinguishers {
        said.push(if r.verdict == VerdictKind::Heard || r.verdict == VerdictKind::HeardSmall {
            format!("truly heard in {} of trials (95 %: {} to {})", percent(d.estimate), percent(d.low), percent(d.high))
        } else if positive(r.verdict) || r.verdict == VerdictKind::MixedPanel {
            return said.join("; ");
        } else {
            format!("at most {} of trials were truly heard (95 % limit)", percent(d.upper95))
        });
    }
    said.join("; ")
}

fn who(test: &TestView, score: &ScoreView) -> String {
    let listeners = score.result.listeners.len();
    let what = if score.result.simulated_only { "simulated listener" } else { "listener" };
    let mut said = vec![count(listeners, what, &format!("{what}s"))];
    let least = test.takes.iter().map(|t| t.1).min().unwrap_or(0);
    let same = test.takes.iter().all(|t| t.1 == least);
    if same {
        said.push(format!("{} of each setup", count(least, "take", "takes")));
    } else {
        said.push(
            test.takes.iter().map(|(s, n)| format!("{} of {s}", count(*n, "take", "takes"))).collect::<Vec<_>>().join(", "),
        );
    }
    if score.result.unanswered > 0 {
        said.push(format!("{} unanswered, counted against the claim", score.result.unanswered));
    }
    if score.result.head.design == Design::Crossed {
        said.push("takes drawn without looking at the setup".to_owned());
    }
    said.join("; ")
}

fn not_said(test: &TestView, score: &ScoreView) -> Vec<String> {
    let r = &score.result;
    let mut points: Vec<String> = Vec::new();
    if r.simulated_only {
        points.push("anything about people".to_owned());
    }
    if r.subject == Some(Subject::Recordings) {
        points.push("that it was the setups and not the takes".to_owned());
    }
    if !positive(r.verdict) {
        points.push("that they sound the same".to_owned());
    }
    if positive(r.verdict) && test.differs.len() > 1 {
        points.push("which of the changes did it".to_owned());
    }
    if test.method != Method::Preference {
        points.push("which of them is better".to_owned());
    }
    if r.listeners.len() == 1 && !r.simulated_only {
        points.push("anything about other listeners".to_owned());
    }
    points.push("anything about other drivers, cabs, amplifiers or rooms".to_owned());
    points.truncate(MOST_NOT_SAID);
    points
}
