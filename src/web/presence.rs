//! Who is at their listening page: known by the stream that an open page holds, else by when it last asked for something.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Streams that one invitation may hold: a page in a few tabs.
const STREAMS: u32 = 8;
/// After its stream has ended a page may be on its way back (a reload) for so long.
const BACK_SOON: Duration = Duration::from_secs(5);
/// Somebody whose page holds no stream counts as away after so long beyond the length of the clips.
const SILENT: Duration = Duration::from_secs(120);

#[derive(Debug, Clone, Copy)]
struct Seen {
    last: Instant,
    streams: u32,
    streamed: bool,
}

/// By the codes of invitations, and of no others: what is kept is bounded by who was invited.
#[derive(Debug, Default)]
pub(super) struct Presence(Mutex<HashMap<String, Seen>>);

impl Presence {
    /// The holder of a code that was looked up and found asked for something. True when it was away before.
    pub(super) fn seen(&self, code: &str) -> bool {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        match all.get_mut(code) {
            Some(seen) => {
                let back = seen.streams == 0 && now.duration_since(seen.last) > BACK_SOON;
                seen.last = now;
                back
            }
            None => {
                all.insert(code.to_owned(), Seen { last: now, streams: 0, streamed: false });
                true
            }
        }
    }

    /// Whether somebody is at the page of a code, and for how many seconds nothing was heard of it; `None` when it was never opened since
    /// the desk was started.
    pub(super) fn of(&self, code: &str, clips: Duration) -> Option<(bool, u64)> {
        let seen = *self.0.lock().unwrap_or_else(PoisonError::into_inner).get(code)?;
        let quiet = Instant::now().duration_since(seen.last);
        let patience = if seen.streamed { BACK_SOON } else { SILENT + clips };
        let here = seen.streams > 0 || quiet < patience;
        Some((here, if seen.streams > 0 { 0 } else { quiet.as_secs() }))
    }

    /// A page opens its stream; false when there are too many of the code.
    pub(super) fn enter(&self, code: &str) -> bool {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let seen = all.entry(code.to_owned()).or_insert(Seen { last: Instant::now(), streams: 0, streamed: true });
        if seen.streams >= STREAMS {
            return false;
        }
        seen.streams += 1;
        seen.streamed = true;
        true
    }

    /// A stream has ended.
    pub(super) fn leave(&self, code: &str) {
        if let Some(seen) = self.0.lock().unwrap_or_else(PoisonError::into_inner).get_mut(code) {
            seen.streams = seen.streams.saturating_sub(1);
            seen.last = Instant::now();
        }
    }
}
