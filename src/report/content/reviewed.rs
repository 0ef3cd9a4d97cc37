//! What a reviewer asks for: the conditions as they were stated, a paragraph to paste, and what the strict standard asks that was not done.

use super::sealed::scored;
use super::{Block, Section, day, section, table};
use crate::model::trial::{Condition, Design, Method};
use crate::report::text::{count, named_p, p_text, percent};
use crate::report::view::{Report, ScoreView, TestView};

/// What stands where nobody said anything.
const NOT_STATED: &str = "not stated";

/// What is stated of the listening: by the sealed plan, else by the rig sheet's table `held`.
fn stated(of: Condition, report: &Report, test: &TestView) -> String {
    let held = || report.held.iter().find(|(key, _)| key == of.key()).map(|(_, text)| text.as_str());
    test.conditions.stated(of).or_else(held).unwrap_or(NOT_STATED).to_owned()
}

/// Conditions and stimuli, test by test.
pub(super) fn conditions(report: &Report) -> Section {
    let mut blocks = Vec::new();
    if scored(report).next().is_none() {
        return section("conditions", "How it was listened to", blocks);
    }
    for (test, score) in scored(report) {
        blocks.push(Block::Heading(test.test.clone()));
        let mut facts: Vec<_> = Condition::ALL.into_iter().map(|of| (of.name().to_owned(), stated(of, report, test))).collect();
        facts.extend(of_test(test, score));
        blocks.push(Block::Facts(facts));
    }
    blocks.push(Block::Text(format!(
        "Loudness is integrated loudness by ITU-R BS.1770-5. Clips of one mic are matched over one gate that they share: a block counts where \
         it is above the gate in all of them, so that a quiet passage cannot count in one clip and not in the other. What was not stated can \
         be: with the plan (--level-as-set, --listening-on, --room, --playback), or by keys {} under [held] in the rig sheet.",
        Condition::ALL.map(Condition::key).join(", ")
    )));
    section("conditions", "How it was listened to", blocks)
}

fn of_test(test: &TestView, score: &ScoreView) -> Vec<(String, String)> {
    let r = &score.result;
    let seen = |values: &[String]| if values.is_empty() { NOT_STATED.to_owned() } else { values.join("; ") };
    let stimuli = test.stimuli.map_or_else(
        || NOT_STATED.to_owned(),
        |s| {
            format!(
                "excerpt {}, {:.1} s, {} Hz, 24 bits, no processing but gain, delay and polarity",
                test.excerpt, s.seconds, s.rate_hz
            )
        },
    );
    let listeners = count(r.listeners.len(), "listener", "listeners");
    vec![
        (
            "listeners".to_owned(),
            format!("{listeners}{}; experience and hearing: {NOT_STATED}", if r.simulated_only { ", simulated" } else { "" }),
        ),
        ("played by".to_owned(), seen(&test.played)),
        (
            "from, to".to_owned(),
            test.answered.as_ref().map_or_else(|| NOT_STATED.to_owned(), |(a, b)| format!("{}, {}", day(a), day(b))),
        ),
        ("stimuli".to_owned(), stimuli),
        (
            "times a sample was heard in a trial".to_owned(),
            test.replays.map_or_else(|| NOT_STATED.to_owned(), |n| format!("{n:.1} in the mean")),
        ),
        (
            "missing answers".to_owned(),
            format!("{} unanswered of those who took part, {} void and drawn anew", r.unanswered, r.head.void),
        ),
        ("exclusions".to_owned(), test.exclusion.clone()),
        ("seal, SHA-256".to_owned(), test.seal_sha256.clone()),
        ("who vouches".to_owned(), test.witnessed.clone()),
    ]
}

/// A methods paragraph per test, to be pasted as it is.
pub(super) fn methods(report: &Report) -> Section {
    let blocks: Vec<Block> = scored(report).map(|(test, score)| Block::Typed(paragraph(report, test, score))).collect();
    section("methods", "Methods, to be pasted", blocks)
}

fn paragraph(report: &Report, test: &TestView, score: &ScoreView) -> String {
    let (r, c) = (&score.result, &score.result.count);
    let who = if r.simulated_only { "simulated listener" } else { "listener" };
    let mut said = format!(
        "{} compared {} by a blind {} test ({}, mic {}, excerpt {}). ",
        count(r.listeners.len(), who, &format!("{who}s")),
        test.pair(),
        test.method.name(),
        if test.as_recorded { "levels as recorded" } else { "loudness matched to ITU-R BS.1770-5" },
        test.mic,
        test.excerpt
    );
    let takes: Vec<String> = test.takes.iter().map(|(s, n)| format!("{} of {s}", count(*n, "take", "takes"))).collect();
    said.push_str(&format!("Stimuli were drawn from {}", takes.join(" and ")));
    said.push_str(match r.head.design {
        Design::Crossed => ", without looking at the setup. ",
        Design::Paired => ", one of each setup per trial. ",
    });
    let planned = test.planned.map_or_else(|| "an open number of".to_owned(), |n| n.to_string());
    said.push_str(&format!(
        "The plan ({planned} trials for each of {}, level {}, smallest effect worth finding {}) was sealed on {} before the first trial \
         (SHA-256 {}...); each trial's order was drawn at random and committed to before its first sound. ",
        count(test.listeners_planned as usize, "listener", "listeners"),
        r.head.family.level,
        percent(test.bound),
        day(&test.sealed_at),
        test.seal_sha256.get(..12).unwrap_or_default()
    ));
    said.push_str(&format!(
        "Listening level: {}; playback: {}; room: {}; device: {}. ",
        stated(Condition::Level, report, test),
        stated(Condition::On, report, test),
        stated(Condition::Room, report, test),
        stated(Condition::Device, report, test)
    ));
    if let (Some(right), true) = (c.correct, test.method.one_count(test.setups.len())) {
        let what = if test.method == Method::Preference { "preferred the first named" } else { "were right" };
        said.push_str(&format!("{right} of {} answers {what}", c.trials));
        let mut more = Vec::new();
        more.extend(c.interval95.map(|[low, high]| format!("95 % interval of the share {low:.3} to {high:.3}")));
        more.extend(r.p_listeners.or(c.p_value).map(p_text));
        more.extend(
            r.p_takes.map(|p| format!("{} over {} splits of the takes", named_p("takes p", p), r.takes_splits.unwrap_or(0))),
        );
        more.extend(
            c.dprime.as_ref().filter(|d| d.estimate.0.is_finite()).map(|d| format!("d' {:.2} ({})", d.estimate.0, d.model)),
        );
        said.push_str(&format!(" ({}). ", more.join("; ")));
    }
    said.push_str(&format!(
        "{} unanswered trials count against the claim; exclusions: {}. {}",
        r.unanswered, test.exclusion, r.sentence
    ));
    said
}

/// What ITU-R BS.1116-3 asks (from memory, in our words) beside what was done.
pub(super) fn standard(report: &Report) -> Section {
    let Some((test, score)) = scored(report).next() else { return section("standard", STANDARD, Vec::new()) };
    let r = &score.result;
    let graded = report.tests.iter().any(|t| t.method == Method::Graded);
    let controls = test.controls_planned;
    let said = |yes: bool, done: &str, not: &str| if yes { done.to_owned() } else { not.to_owned() };
    let rows = [
        ("expert listeners, trained on the material", "not asked; listeners' experience is not stated".to_owned()),
        ("about twenty listeners", count(r.listeners.len(), "listener", "listeners")),
        ("listeners post-screened by their own answers", "nobody is left out for their answers".to_owned()),
        (
            "triple stimulus, hidden reference, five-grade scale of impairment",
            said(
                graded,
                "graded beside a hidden reference, on another scale",
                "another question: can they be told apart, or which is preferred",
            ),
        ),
        ("double blind, order at random", "yes: sealed plan, orders drawn and committed to before each trial".to_owned()),
        ("free switching, as often as wanted", "yes, each sample as often as wanted; fades at the switch".to_owned()),
        ("reference room: size, reverberation, noise", stated(Condition::Room, report, test)),
        ("monitors or headphones measured against their targets", stated(Condition::On, report, test)),
        ("listening level calibrated", stated(Condition::Level, report, test)),
        ("critical material chosen by a panel", "one riff, chosen by who made the session".to_owned()),
        (
            "anchors or controls",
            format!("{} same-file, {} repeat-take, {} known-difference per listener", controls.0, controls.1, controls.2),
        ),
        ("analysis of variance over listeners and items", "exact tests of counts, over listeners and over takes".to_owned()),
    ];
    let rows = rows.into_iter().map(|(asks, done)| vec![asks.to_owned(), done]).collect();
    let blocks = vec![
        Block::Text(
            "ITU-R BS.1116 is the strict method for small impairments of audio systems. This test is not one by it. What it asks, in short \
             and from memory, and what was done here:"
                .to_owned(),
        ),
        table(&["BS.1116 asks for", "here"], rows),
    ];
    section("standard", STANDARD, blocks)
}

const STANDARD: &str = "What ITU-R BS.1116 asks, and this test did not do";

/// Blind montages, their answers, and whether their keys are open.
pub(super) fn audience(report: &Report) -> Section {
    let mut blocks = Vec::new();
    for m in &report.montages {
        let key = m.revealed_at.as_ref().map_or_else(|| "not revealed yet".to_owned(), |at| format!("revealed {}", day(at)));
        blocks.push(Block::Heading(m.montage.clone()));
        blocks.push(Block::Facts(vec![
            ("made".to_owned(), day(&m.made_at)),
            (
                "what sounds".to_owned(),
                format!("{}, mic {}, {}", m.setups.join(", "), m.mic, count(m.clips as usize, "numbered clip", "numbered clips")),
            ),
            ("key".to_owned(), key),
            ("SHA-256 of nonce and key".to_owned(), m.commitment_sha256.clone()),
        ]));
    }
    let rows: Vec<Vec<String>> = report
        .votes
        .iter()
        .map(|v| {
            vec![
                v.of.clone(),
                day(&v.at),
                v.people.to_string(),
                format!("{} of {}", v.correct, v.answers),
                p_text(v.p_value),
                v.sha256.clone(),
            ]
        })
        .collect();
    if !rows.is_empty() {
        blocks.push(table(&["answers to", "counted", "people", "right", "p", "SHA-256 of the answers"], rows));
        blocks.push(Block::Text(
            "Everybody who hears a montage hears one key, so its clips are the trials and not its people. Visitors of the audience page are \
             not watched: their answers are never added to a sealed test."
                .to_owned(),
        ));
    }
    section("audience", "Shown to an audience", blocks)
}
