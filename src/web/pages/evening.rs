//! The evening as a line of steps: how each stands, and which one comes next.

use super::layout::{Head, Step};
use crate::capture::session;
use crate::model::failure::Failure;
use crate::report::text::count;
use crate::testing::desk::records;
use crate::verdict::score::score;
use std::path::Path;

/// What stands over every page.
pub(crate) fn head(folder: &Path) -> Result<Head, Failure> {
    let status = session::status(folder)?;
    let records = records::read(folder)?;
    let scored = score(folder, None)?;
    let used = records.takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none());
    let setups = records.rig.setups.len();
    let recorded = records.rig.setups.iter().filter(|s| used.clone().any(|t| t.setup.as_ref() == Some(&s.name))).count();
    let closed = scored.tests.iter().filter(|t| t.head().closed).count();
    let open = scored.tests.len() - closed;
    let answered: u64 = scored.tests.iter().map(|t| t.head().done).sum();
    let invited = records.invitations.len();
    let stop = used.clone().filter(|t| t.findings.iter().any(|f| f.severity == crate::model::audio::Severity::Stop)).count();
    let all = setups >= 2 && recorded == setups;
    let none = || "none yet".to_owned();
    let some = |n: usize, one: &str, many: &str| if n == 0 { none() } else { count(n, one, many) };
    let step = |to, name, state: String, done| Step { to, name, state, done, next: false };
    let mut steps = vec![
        step(
            "/",
            "Rig",
            if status.refused() { "do not power".to_owned() } else { some(setups, "setup", "setups") },
            setups >= 2 && !status.refused(),
        ),
        step("/runsheet", "Takes", some(used.clone().count(), "take", "takes"), all),
        step(
            "/takes",
            "Check",
            if stop > 0 {
                format!("{stop} not usable")
            } else {
                (if records.checked { "checked" } else { "not yet" }).to_owned()
            },
            records.checked && stop == 0,
        ),
        step("/clips", "Clips", some(records.clips.len(), "clip", "clips"), !records.clips.is_empty()),
        step(
            "/tests",
            "Test",
            if open > 0 { format!("{open} open") } else { some(closed, "closed", "closed") },
            open + closed > 0,
        ),
        step(
            "/listeners",
            "Listeners",
            some(invited, "invited", "invited"),
            closed > 0 || (invited > 0 && answered > 0 && open == 0),
        ),
        step("/results", "Verdict", some(closed, "verdict", "verdicts"), closed > 0),
        step("/publish", "Publish", if closed > 0 { "ready".to_owned() } else { "after the verdict".to_owned() }, false),
    ];
    // Who left a step out has gone past it; a setup that must not be powered comes before everything.
    let last = if status.refused() { None } else { steps.iter().rposition(|s| s.done) };
    if let Some(next) = steps.iter_mut().skip(last.map_or(0, |i| i + 1)).find(|s| !s.done) {
        next.next = true;
    }
    let kept = records.rig.title.clone().or(status.title);
    let named = || folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    Ok(Head { title: kept.filter(|t| !t.trim().is_empty()).unwrap_or_else(named), steps })
}
