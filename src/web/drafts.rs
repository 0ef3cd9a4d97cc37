//! What was typed into a form that was refused: it is shown again, with the fault said, until it is accepted.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

/// The fields of a form.
pub(super) type Typed = BTreeMap<String, String>;

/// By the form's name.
#[derive(Debug, Default)]
pub(super) struct Drafts(Mutex<BTreeMap<&'static str, Typed>>);

impl Drafts {
    /// Keeps what was typed until it is accepted.
    pub(super) fn keep(&self, form: &'static str, typed: Typed) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert(form, typed);
    }

    /// It was accepted.
    pub(super) fn forget(&self, form: &'static str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(form);
    }

    /// What is to be shown again, if anything.
    pub(super) fn of(&self, form: &'static str) -> Option<Typed> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(form).cloned()
    }
}
