//! How often a minute somebody may ask.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// So many counters are kept before those of past minutes are forgotten.
const COUNTERS: usize = 10_000;

/// Counters per minute.
#[derive(Debug, Default)]
pub struct Limits(Mutex<HashMap<String, (Instant, u32)>>);

impl Limits {
    /// Counts one more of a kind; false when there were too many in this minute.
    pub fn allow(&self, what: String, most: u32) -> bool {
        let now = Instant::now();
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if all.len() > COUNTERS {
            all.retain(|_, (since, _)| now.duration_since(*since) < Duration::from_secs(60));
        }
        let counter = all.entry(what).or_insert((now, 0));
        if now.duration_since(counter.0) >= Duration::from_secs(60) {
            *counter = (now, 0);
        }
        counter.1 += 1;
        counter.1 <= most
    }
}
