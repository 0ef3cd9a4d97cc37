//! The canonical plan text that a person can read, and its hash.

use crate::model::audio::Sha256Hex;
use crate::model::trial::{Design, Plan, TrialCount};
use std::fmt::Write;

/// What plans did not have from the first: said only where it is there, so that an old plan's text and seal stay what they were.
fn added(plan: &Plan) -> Vec<(&'static str, String)> {
    let mut out = Vec::new();
    if plan.design == Design::Crossed {
        out.push(("design", "crossed: samples are drawn from all takes without looking at the setup".to_owned()));
    }
    if plan.controls.known > 0 {
        out.push(("known-difference controls per listener", plan.controls.known.to_string()));
    }
    if let Some(db) = plan.known_db {
        out.push(("raised in them by dB", db.value().to_string()));
    }
    if let Some(family) = plan.family {
        let place = family.number.map_or_else(|| "beyond them".to_owned(), |n| format!("number {n}"));
        out.push(("tests that the claim rests on", format!("{}, this one {place}, level {}", family.planned, family.level)));
    }
    if plan.simulated {
        out.push(("listeners", "simulated ones alone".to_owned()));
    }
    if plan.audience {
        out.push(("listeners", "an audience that visits: self-selected, unguarded, never added to a panel".to_owned()));
    }
    out.extend(plan.conditions.named().map(|(name, text)| (name, text.to_owned())));
    out.extend(plan.looks.iter().map(|l| {
        let ends = l.least_correct.map_or_else(|| "no number".to_owned(), |k| format!("{k} right or more"));
        ("look", format!("after {} answers {ends} ends it", l.answers))
    }));
    if let Some(s) = &plan.sealing {
        out.push(("session", s.session_id.clone().unwrap_or_else(|| "-".to_owned())));
        out.push(("nonce", s.nonce.to_string()));
        out.push(("head of the log before the seal", s.head.to_string()));
        out.push(("rules of the result", s.rules.to_string()));
    }
    out.extend(plan.units.iter().map(|(take, unit)| ("rewiring", format!("{take} with {unit}"))));
    out
}

/// One `key: value` line per fact, in a fixed order; lists one line per member. Line feeds inside a value become spaces.
#[must_use]
pub fn canonical(plan: &Plan) -> String {
    let mut text = String::from("cabjury plan 1\n");
    let mut line = |key: &str, value: &str| {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{key}: {}", value.replace(['\n', '\r'], " "));
    };
    line("test", plan.test.as_str());
    line("method", plan.method.name());
    for setup in &plan.setups {
        line("setup", setup.as_str());
    }
    line("level", if plan.as_recorded { "as recorded" } else { "loudness removed" });
    line("excerpt", plan.excerpt.as_str());
    line("mic", plan.mic.as_str());
    match plan.trials {
        TrialCount::Fixed(n) => line("scored trials per listener", &n.to_string()),
        TrialCount::OpenEnded => line("scored trials per listener", "open-ended"),
    }
    line("listeners", &plan.listeners.to_string());
    line("alpha", &plan.alpha.value().to_string());
    line("smallest share of distinguishers worth finding", &plan.bound.value().to_string());
    line("same-file controls per listener", &plan.controls.same_file.to_string());
    line("repeat controls per listener", &plan.controls.repeat.to_string());
    line("attribute", plan.attribute.as_deref().unwrap_or("-"));
    line("expected to have more of it", plan.expect.as_ref().map_or("-", |s| s.as_str()));
    line("reference", plan.reference.as_ref().map_or("-", |s| s.as_str()));
    for clip in &plan.clips {
        line("clip", &format!("{} of {}, take {}, sha256 {}", clip.clip, clip.setup, clip.take, clip.sha256));
    }
    for fact in &plan.differs {
        line("differs", fact);
    }
    for warning in &plan.warnings {
        line("warned", warning);
    }
    line("reason for the load", plan.load_reason.as_deref().unwrap_or("-"));
    line("exclusion", &plan.exclusion);
    line("generator", &plan.generator);
    line("setups heard by name before the trials", if plan.training_by_name { "allowed" } else { "not allowed" });
    line("confidence and remark", if plan.ask_confidence { "asked" } else { "not asked" });
    for (key, value) in added(plan) {
        line(key, &value);
    }
    text
}

/// SHA-256 of the canonical text.
#[must_use]
pub fn seal(canonical: &str) -> Sha256Hex {
    Sha256Hex::of(canonical.as_bytes())
}
