//! `take --watch`: new files of a folder are taken in as they are bounced.

use super::shell::{Outcome, Shell};
use crate::capture::incoming::RefusedDoc;
use crate::capture::pattern::FolderRequest;
use crate::capture::take::TakeDoc;
use crate::capture::watch::{Seen, Watch};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::report::text::count;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// A file that did not change for so long is finished.
const STILL: Duration = Duration::from_millis(700);

/// Watches until Ctrl-C.
pub(super) fn run(folder: &Path, dir: &Path, request: FolderRequest, shell: &mut Shell) -> Result<Outcome, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    #[cfg(unix)]
    for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        // Where a signal cannot be watched, the system's own way of ending stays: each take is in or not, never half.
        let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
    }
    let mut watch = Watch::new(folder, dir, request)?;
    if watch.left_alone() > 0 {
        shell.say(&format!("{} there already: left alone", count(watch.left_alone(), "recording is", "recordings are")));
    }
    shell.say(&format!("watching {}; Ctrl-C ends it", dir.display()));
    coming(&watch, shell)?;
    let (mut takes, mut refused) = (Vec::new(), Vec::new());
    while !stop.load(Ordering::Acquire) {
        std::thread::sleep(STILL);
        let seen = watch.look(&SystemClock, &shell.progress())?;
        let news = !seen.is_empty();
        for one in seen {
            match one {
                Seen::Taken(take) => {
                    said(&take, shell);
                    takes.push(*take);
                }
                Seen::Refused(why) => {
                    not_taken(&why, shell);
                    refused.push(why);
                }
            }
        }
        if news {
            coming(&watch, shell)?;
        }
    }
    shell.say(&format!("{} taken in", count(takes.len(), "recording", "recordings")));
    shell.document(&serde_json::json!({ "takes": takes, "refused": refused }));
    Ok(Outcome::Done)
}

fn coming(watch: &Watch, shell: &mut Shell) -> Result<(), Failure> {
    match watch.next()? {
        Some((pass, setup)) => shell.say(&format!("next: pass {pass}, {setup}")),
        None => shell.say("every pass of the run sheet is recorded; end with Ctrl-C"),
    }
    shell.flush();
    Ok(())
}

/// One take that came in.
pub(super) fn said(t: &TakeDoc, shell: &mut Shell) {
    let setup = t.setup.as_deref().unwrap_or("DI");
    shell.say(&format!("{}: {setup}, mic {}, pass {}, {:.2} s ({})", t.take, t.mic, t.pass, t.length_s, t.original_name));
    for step in t.derived.iter().flat_map(|d| &d.how) {
        shell.say(&format!("  {step}"));
    }
    if !t.faults.is_empty() {
        shell.say(super::measure::faults(&t.faults).trim_end());
    }
}

pub(super) fn not_taken(refused: &RefusedDoc, shell: &mut Shell) {
    shell.warn(&format!("{}\n  next: {}", refused.message, refused.next));
}
