//! A listener's seat: when a pick may be taken. One rule for the terminal, the desk, and every other way to listen.

use crate::model::explain::{Explain, Fate};
use crate::model::trial::SlotHeard;

/// A slot was heard when it sounded for so long on the audio clock, not muted and not suspended.
pub const HEARD_MS: u64 = 300;

/// What of an open trial has reached its listener.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seat {
    /// Every slot's label, and whether it was fetched whole.
    slots: Vec<(String, bool)>,
}

/// A pick before every slot was heard.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotHeard {
    /// Slots that never reached the listener whole.
    #[error("{} {} not been played whole yet", .0.join(", "), if .0.len() == 1 { "has" } else { "have" })]
    NotFetched(Vec<String>),
    /// Slots that sounded too briefly.
    #[error("{} {} not sounded for {HEARD_MS} ms yet", .0.join(", "), if .0.len() == 1 { "has" } else { "have" })]
    TooShort(Vec<String>),
}

impl Explain for NotHeard {
    fn kind(&self) -> &'static str {
        "not-heard"
    }
    fn next(&self) -> String {
        "listen to every sample before you answer".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Refused
    }
}

impl Seat {
    /// A seat before anything was played.
    #[must_use]
    pub fn of(labels: Vec<String>) -> Self {
        Self { slots: labels.into_iter().map(|label| (label, false)).collect() }
    }

    /// A slot has reached the listener whole.
    pub fn fetched(&mut self, label: &str) {
        if let Some(slot) = self.slots.iter_mut().find(|s| s.0 == label) {
            slot.1 = true;
        }
    }

    /// Whether so much time has passed since the trial was opened that every slot can have sounded: what can be known of a listener whose
    /// sound comes from elsewhere.
    ///
    /// # Errors
    /// [`NotHeard`] with all slots.
    pub fn in_time(&self, since_opened_ms: u64) -> Result<(), NotHeard> {
        let least = HEARD_MS * self.slots.len() as u64;
        if since_opened_ms >= least { Ok(()) } else { Err(NotHeard::TooShort(self.slots.iter().map(|s| s.0.clone()).collect())) }
    }

    /// Whether a pick may be taken. A client that measures what sounded has to name every slot; one that does not hands in nothing.
    ///
    /// # Errors
    /// [`NotHeard`] with the slots that are missing.
    pub fn allow(&self, reported: &[SlotHeard]) -> Result<(), NotHeard> {
        let labels = |keep: &dyn Fn(&(String, bool)) -> bool| -> Vec<String> {
            self.slots.iter().filter(|s| keep(s)).map(|s| s.0.clone()).collect()
        };
        let missing = labels(&|s| !s.1);
        if !missing.is_empty() {
            return Err(NotHeard::NotFetched(missing));
        }
        let sounded = |label: &str| reported.iter().filter(|h| h.label == label).map(|h| h.ms).max().unwrap_or(0);
        let brief = labels(&|s| !reported.is_empty() && sounded(&s.0) < HEARD_MS);
        if brief.is_empty() { Ok(()) } else { Err(NotHeard::TooShort(brief)) }
    }
}
