//! The tests: a plan with what it could find, sealing, invitations, and progress without a score.

use super::layout::{command, field, select};
use crate::foresight::what_if::WhatIfPlanDoc;
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::result::TestHead;
use crate::model::trial::Method;
use crate::report::text::{count, percent};
use crate::testing::desk::records;
use crate::verdict::score::{ScoreDoc, score};
use crate::web::App;
use crate::web::qr::svg;
use maud::{Markup, PreEscaped, html};
use std::path::Path;

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let records::Records { rig, clips, runs, invitations, .. } = records::read(folder)?;
    let scored: ScoreDoc = score(folder, None)?;
    let mut mics: Vec<String> = Vec::new();
    for clip in &clips {
        if !mics.contains(&clip.mic.to_string()) {
            mics.push(clip.mic.to_string());
        }
    }
    let setups: Vec<String> = rig.setups.iter().map(|s| s.name.to_string()).collect();
    // Repeat controls need two takes of one setup: who has single takes is not offered what would be refused.
    let repeated = setups.iter().any(|s| {
        let mut takes = clips.iter().filter(|c| c.setup.as_str() == s).map(|c| &c.take);
        takes.next().is_some_and(|first| takes.any(|take| take != first))
    });
    Ok(html! {
        @for test in &scored.tests {
            (one(test.head(), &invitations.iter().filter(|(_, t, _)| *t == test.head().test).map(|(c, _, l)| (c.clone(), l.to_string())).collect::<Vec<_>>(), app))
        }
        @if scored.tests.is_empty() { p { "No test is sealed yet." } }
        section.part {
            h2 { "Plan a test" }
            @if clips.is_empty() {
                p { "A test plays clips, and there are none. " a href="/clips" { "Make them first" } "." }
            } @else {
                (form(&setups, &mics, runs.iter().any(|r| r.as_recorded), repeated))
            }
        }
        (command("Simulated listeners through the code that people go through:", &format!("cabjury rehearse {} --hears 0.5", quoted(folder))))
        (command("A listener at this computer, with training and a sound card of choice:", &format!("cabjury listen {} --listener CODE", quoted(folder))))
        (command("Everything else that a plan can hold:", &format!("cabjury plan {} --help", quoted(folder))))
    })
}

fn one(test: &TestHead, invited: &[(String, String)], app: &App) -> Markup {
    html! {
        section.part id=(test.test) {
            h2 { (test.test) }
            p { (test.setups.iter().map(|s| s.as_str()).collect::<Vec<_>>().join(" against ")) ", mic " (test.mic) ", excerpt " (test.excerpt) ", " (if test.as_recorded { "as recorded" } else { "loudness removed" }) }
            @if test.closed {
                p { "Closed. " a href="/results" { "Its verdict" } }
            } @else {
                p role="status" {
                    (count(test.done as usize, "trial answered", "trials answered"))
                    @if let Some(planned) = test.planned { "; " (planned) " trials planned in all, controls left out" }
                    ". Right and wrong are shown when it is closed, to nobody before."
                }
                @for (code, listener) in invited { (invitation(code, listener, app)) }
                form.row method="post" action="/invite" {
                    input type="hidden" name="test" value=(test.test);
                    div.field { label for={ "who-" (test.test) } { "Invite a listener" } input id={ "who-" (test.test) } name="listener" required size="16"; span.hint { "a short code, printed in the report" } }
                    button type="submit" { "Make a link" }
                }
                details {
                    summary { "End this test before its last trial" }
                    p { "Every planned trial that is not answered counts against every claim. This cannot be undone." }
                    form method="post" action="/close" {
                        input type="hidden" name="test" value=(test.test);
                        button type="submit" { "Close " (test.test) " for good" }
                    }
                }
            }
        }
    }
}

fn invitation(code: &str, listener: &str, app: &App) -> Markup {
    let url = format!("{}/l/{code}", app.base());
    html! {
        article.card.invitation {
            h3 { (listener) }
            p { a href={ "/l/" (code) } { (url) } }
            @if let Some(code) = svg(&url) { figure.qr { (PreEscaped(code)) figcaption { "For " (listener) "\u{2019}s phone" } } }
            @if !app.lan { p.soft { "This link works on this computer. For phones in the room, start the desk with --lan." } }
        }
    }
}

fn form(setups: &[String], mics: &[String], raw: bool, repeated: bool) -> Markup {
    let methods: Vec<(String, String)> = Method::ALL
        .into_iter()
        .map(|m| {
            let words = match m {
                Method::Abx => "which of the two is X?",
                Method::DuoTrio => "which one is like the reference?",
                Method::Triangle => "which is the odd one?",
                Method::Preference => "which would you rather keep?",
                Method::Attribute => "which is (a word of yours)?",
                Method::Graded => "how close to a reference, 0 to 100?",
            };
            (m.name().to_owned(), format!("{}: {words}", m.name()))
        })
        .collect();
    let designs: Vec<(String, String)> = [
        ("", "crossed where there are takes enough"),
        ("crossed", "crossed: takes of both setups, blindly drawn"),
        ("paired", "paired: the setups side by side"),
    ]
    .map(|(value, text)| (value.to_owned(), text.to_owned()))
    .to_vec();
    let mic_options: Vec<(String, String)> = mics.iter().map(|m| (m.clone(), m.clone())).collect();
    html! {
        form #plan method="post" action="/plan" data-what-if="/plan/what-if" {
            fieldset {
                legend { "Compare" }
                @for (i, s) in setups.iter().enumerate() {
                    label.check { input type="checkbox" name={ "with-" (s) } value="yes" checked[i < 2]; " " (s) }
                }
            }
            div.grid {
                (select("method", "Method", &methods, "abx"))
                (select("mic", "Mic or blend", &mic_options, ""))
                (select("design", "Design", &designs, ""))
                (field("trials", "Trials for each listener", "", "28, or 16 in the paired design; 0: no end set"))
                (field("listeners", "Listeners", "1", ""))
                (field("tests", "Tests that the claim rests on", "", "said once, with the first test"))
                (field("alpha", "Alpha", "", "chance of a false \u{201c}heard\u{201d}, of all tests together; 0.05 at most"))
                (field("bound", "Smallest share worth finding", "0.3", "of trials truly heard"))
                (field("same_file", "Same-file controls", "8", "for each listener; 7 test for cues"))
                (field("known", "Known-difference controls", "0", "for each listener, 1 dB; 8 for one listener, 6 for a panel"))
                (field("repeat", "Repeat-take controls", "0", if repeated { "paired design only; 5 test the floor" } else { "need two takes of a setup" }))
                (field("attribute", "Word", "", "attribute only: brighter, ..."))
                (field("expect", "Expected to have more of it", "", "attribute only: a setup"))
                (field("reference", "Reference", "", "duo-trio, graded: a setup"))
                (field("load_reason", "Reason for a load below the tap", "", "printed in every report"))
            }
            @if raw { p { label { input type="checkbox" name="as_recorded" value="yes"; " Levels as recorded" } } }
            p { label { input type="checkbox" name="ask_confidence" value="yes"; " Ask for confidence and a remark" } }
            p { label { input type="checkbox" name="training_by_name" value="yes"; " Let listeners hear the setups by name before their trials (paired design only)" } }
            div.row {
                button type="submit" formaction="/plan/what-if" { "What could it find?" }
                button.main type="submit" { "Seal the test" }
            }
            p.soft { "A sealed test never changes. Every sealed test is listed in the report with its fate." }
            div #what-if aria-live="polite" {}
        }
    }
}

/// What a plan could find, as a piece of page.
pub(crate) fn what_if(found: &WhatIfPlanDoc) -> Markup {
    let doc = &found.plan;
    html! {
        h3 { "What it could find" }
        @if let (Some(critical), Some(size)) = (doc.critical, doc.true_size) {
            p { "Heard means " strong { (critical) } " right or more; by guessing that happens with " (format!("{:.3}", size)) "." }
        }
        @if let Some(scored) = doc.scored_expected.filter(|_| doc.critical_by_scored.is_some()) {
            p { "About " (format!("{scored:.0}")) " trials in all will be scored: in the others the samples happen to be of one setup, which nobody can tell." }
        }
        @if let (Some(least), Some(needed)) = (doc.least_p_takes, doc.takes_needed) {
            p { "The takes test can reach p = " (format!("{least:.3}")) " with these takes; " (needed) " takes of each setup are needed to speak of the wiring." }
        }
        @if !doc.power.is_empty() {
            div.scroll tabindex="0" role="group" aria-label="Power" {
                table {
                    thead { tr { th scope="col" { "a listener who is right" } th scope="col" { "is found with a chance of" } th scope="col" { "trials for 80 %" } } }
                    tbody { @for p in &doc.power {
                        @let needed = found.trials_for_80.iter().flatten().find(|n| (n.p_correct - p.p_correct).abs() < 1e-9);
                        tr {
                            td.num { (format!("{:.0} %", p.p_correct * 100.0)) }
                            td { span.bar data-share=(format!("{:.3}", p.power)) {} " " (percent(p.power)) }
                            td.num { (needed.and_then(|n| n.stable).map_or_else(|| "\u{2013}".to_owned(), |n| n.to_string())) }
                        }
                    } }
                }
            }
        }
        @if let Some(reach) = &found.open_ended {
            ul { @for r in reach {
                li { "A listener who is right in " (format!("{:.0} %", r.p_correct * 100.0)) " is found within 100 trials with a chance of " (percent(r.found_by_100)) ", after " (format!("{:.0}", r.mean_trials)) " on average." }
            } }
        }
        @if let Some(n) = &found.not_heard { p { (n.text()) "." } }
        @if let Some(minutes) = found.minutes { p { "About " (format!("{minutes:.0}")) " minutes of listening for each listener." } }
        @for fact in &doc.differs { p { "Differs: " (fact) } }
        @for warning in &doc.warnings { p.warning role="note" { (warning) } }
    }
}
