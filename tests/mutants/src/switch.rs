// The switch that the merged source asks at every place that has mutants. It is copied into the crate under test as a module.
#![allow(missing_docs)]

use std::io::Write;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering::Relaxed};

const UNREAD: u32 = u32::MAX;
const TRACING: u32 = u32::MAX - 1;

static ACTIVE: AtomicU32 = AtomicU32::new(UNREAD);
static TRACE: OnceLock<Option<std::ffi::OsString>> = OnceLock::new();
static SEEN: [AtomicBool; 16384] = [const { AtomicBool::new(false) }; 16384];

/// The number of the mutant that is switched on, 0 for none; `site` is the first number of the place that asks.
#[inline]
pub fn at(site: u32) -> u32 {
    let active = ACTIVE.load(Relaxed);
    if active < TRACING { active } else { first(site) }
}

/// Reads the switch once, or notes that this place was reached.
fn first(site: u32) -> u32 {
    let active = ACTIVE.load(Relaxed);
    let Some(path) = TRACE.get_or_init(|| std::env::var_os("CABJURY_MUTANT_TRACE")) else {
        let number = std::env::var("CABJURY_MUTANT").ok().and_then(|n| n.parse().ok()).unwrap_or(0);
        ACTIVE.store(number, Relaxed);
        return number;
    };
    if active != TRACING {
        ACTIVE.store(TRACING, Relaxed);
    }
    let seen = &SEEN[site as usize];
    if !seen.load(Relaxed) && !seen.swap(true, Relaxed) {
        if let Ok(mut file) = std::fs::OpenOptions::new().append(true).create(true).open(path) {
            let _ = file.write_all(format!("{site}\n").as_bytes());
        }
    }
    0
}
