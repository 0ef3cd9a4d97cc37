//! The tests: a plan with what it could find, sealing, invitations, and progress without a score.

use super::layout::{field, select, terminal};
use crate::foresight::what_if::WhatIfPlanDoc;
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::result::TestEntry;
use crate::model::trial::{Design, Method};
use crate::report::text::{count, percent};
use crate::testing::desk::records;
use crate::verdict::score::{ScoreDoc, score};
use crate::web::App;
use crate::web::drafts::Typed;
use maud::{Markup, html};
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
    let draft = app.drafts.of("plan");
    let drafted = draft.is_some();
    let raw = runs.iter().any(|r| r.as_recorded);
    let plan = Form { setups: &setups, mics: &mics, raw, repeated, typed: draft.unwrap_or_default() };
    Ok(html! {
        @for test in &scored.tests {
            (one(test, &invitations.iter().filter(|(_, t, _)| *t == test.head().test).map(|(c, _, l)| (c.clone(), l.to_string())).collect::<Vec<_>>()))
        }
        @if scored.tests.is_empty() { p { "No test is sealed yet." } }
        section.part {
            @if clips.is_empty() {
                h2 { "Plan a test" }
                p { "A test plays clips, and there are none. " a.button.main href="/clips" { "Make them first" } }
            } @else if scored.tests.is_empty() {
                h2 { "Plan a test" }
                (plan.shown())
            } @else {
                details open[drafted] {
                    summary { "Plan a further test" }
                    (plan.shown())
                }
            }
        }
        (terminal(&[
            ("Everything else that a plan can hold:", format!("cabjury plan {} --help", quoted(folder))),
            ("Simulated listeners through the code that people go through:", format!("cabjury rehearse {} --hears 0.5", quoted(folder))),
        ]))
    })
}

fn method_of(test: &TestEntry) -> Method {
    match test {
        TestEntry::Open(open) => open.method,
        TestEntry::Closed(closed) => closed.count.method,
    }
}

/// A sealed test by everything that tells it from another one.
fn one(test: &TestEntry, invited: &[(String, String)]) -> Markup {
    let head = test.head();
    let setups = head.setups.iter().map(|s| s.as_str()).collect::<Vec<_>>().join(" against ");
    html! {
        section.part id=(head.test) {
            h2 { (head.test) ": " (setups) ", " (method_of(test).name()) @if head.closed { " (closed)" } }
            dl.facts {
                div { dt { "mic" } dd { (head.mic) } }
                div { dt { "excerpt" } dd { (head.excerpt) } }
                div { dt { "levels" } dd { (if head.as_recorded { "as recorded" } else { "loudness removed" }) } }
                div { dt { "design" } dd { (if head.design == Design::Crossed { "crossed" } else { "paired" }) } }
                div { dt { "listeners" } dd { (head.listeners_planned) } }
                @if let Some(planned) = head.planned { div { dt { "trials in all" } dd { (planned) ", controls left out" } } }
                @if let Some(word) = &head.attribute { div { dt { "word" } dd { (word) } } }
            }
            @if head.closed {
                p { "Closed. " a href="/results" { "Its verdict" } }
            } @else {
                p role="status" {
                    (count(head.done as usize, "trial answered", "trials answered"))
                    ". Right and wrong are shown when it is closed, to nobody before."
                }
                p {
                    @if invited.is_empty() { "Nobody is invited yet. " }
                    @for (code, listener) in invited { a href={ "/l/" (code) } { (listener) } " " }
                }
                p { a.button.main href={ "/listeners#panel-" (head.test) } { (if invited.is_empty() { "Invite listeners" } else { "The listeners" }) } }
            }
        }
    }
}

/// What the plan's form is made from.
struct Form<'a> {
    setups: &'a [String],
    mics: &'a [String],
    raw: bool,
    repeated: bool,
    typed: Typed,
}

impl Form<'_> {
    /// What was typed when it was refused, else what is proposed.
    fn value(&self, key: &str, proposed: &str) -> String {
        if self.typed.is_empty() { proposed.to_owned() } else { self.typed.get(key).cloned().unwrap_or_default() }
    }

    fn own(&self, key: &str, label: &str, proposed: &str, hint: &str) -> Markup {
        field(key, label, &self.value(key, proposed), hint)
    }

    fn tick(&self, key: &str, label: &str) -> Markup {
        html! { p { label { input type="checkbox" name=(key) value="yes" checked[self.typed.contains_key(key)]; " " (label) } } }
    }

    /// Two fields in front, the rest behind "More".
    fn shown(&self) -> Markup {
        html! {
            form #plan method="post" action="/plan" data-what-if="/plan/what-if" {
                fieldset {
                    legend { "Compare" }
                    @for (i, s) in self.setups.iter().enumerate() {
                        @let key = format!("with-{s}");
                        @let on = if self.typed.is_empty() { i < 2 } else { self.typed.contains_key(&key) };
                        label.check { input type="checkbox" name=(key) value="yes" checked[on]; " " (s) }
                    }
                }
                div.grid {
                    (select("method", "Method", &methods(), &self.value("method", "abx")))
                    (self.own("listeners", "Listeners", "1", "each with a link of their own"))
                }
                details.more open[!self.typed.is_empty()] {
                    summary { "More" }
                    (self.more())
                }
                div.row {
                    button.main type="submit" { "Seal the test" }
                    button type="submit" formaction="/plan/what-if" { "What could it find?" }
                }
                p.soft { "A sealed test never changes. Every sealed test is listed in the report with its fate." }
                div #what-if aria-live="polite" {}
            }
        }
    }

    fn more(&self) -> Markup {
        let mics: Vec<(String, String)> = self.mics.iter().map(|m| (m.clone(), m.clone())).collect();
        let repeat = if self.repeated { "paired design only; 5 test the floor" } else { "need two takes of a setup" };
        html! {
            div.grid {
                (self.own("trials", "Trials for each listener", "", "28, or 16 in the paired design; 0: no end set"))
                (select("mic", "Mic or blend", &mics, &self.value("mic", "")))
                (select("design", "Design", &designs(), &self.value("design", "")))
                (self.own("tests", "Tests that the claim rests on", "", "said once, with the first test"))
                (self.own("alpha", "Alpha", "", "chance of a false \u{201c}heard\u{201d}, of all tests together; 0.05 at most"))
                (self.own("bound", "Smallest share worth finding", "0.3", "of trials truly heard"))
                (self.own("same_file", "Same-file controls", "8", "for each listener; 7 test for cues"))
                (self.own("known", "Known-difference controls", "0", "for each listener, 1 dB; 8 for one listener, 6 for a panel"))
                (self.own("repeat", "Repeat-take controls", "0", repeat))
                (self.own("attribute", "Word", "", "attribute only: brighter, ..."))
                (self.own("expect", "Expected to have more of it", "", "attribute only: a setup"))
                (self.own("reference", "Reference", "", "duo-trio, graded: a setup"))
                (self.own("level_as_set", "Listening level as set", "", "as in 74 dB(A) at the seat; printed in the report"))
                (self.own("listening_on", "Headphones or loudspeakers", "", "and which; printed in the report"))
                (self.own("room", "Room", "", "printed in the report"))
                (self.own("playback", "Device that plays", "", "printed in the report"))
                (self.own("load_reason", "Reason for a load below the tap", "", "printed in every report"))
            }
            @if self.raw { (self.tick("as_recorded", "Levels as recorded")) }
            (self.tick("ask_confidence", "Ask for confidence and a remark"))
            (self.tick("training_by_name", "Let listeners hear the setups by name before their trials (paired design only)"))
        }
    }
}

fn methods() -> Vec<(String, String)> {
    let words = |m| match m {
        Method::Abx => "which of the two is X?",
        Method::DuoTrio => "which one is like the reference?",
        Method::Triangle => "which is the odd one?",
        Method::Preference => "which would you rather keep?",
        Method::Attribute => "which is (a word of yours)?",
        Method::Graded => "how close to a reference, 0 to 100?",
    };
    Method::ALL.into_iter().map(|m| (m.name().to_owned(), format!("{}: {}", m.name(), words(m)))).collect()
}

fn designs() -> Vec<(String, String)> {
    [
        ("", "crossed where there are takes enough"),
        ("crossed", "crossed: takes of both setups, blindly drawn"),
        ("paired", "paired: the setups side by side"),
    ]
    .map(|(value, text)| (value.to_owned(), text.to_owned()))
    .to_vec()
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
