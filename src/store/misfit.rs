//! What does not fit, and where.

/// A problem and where it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Misfit {
    /// The record, or the part of the file.
    pub place: String,
    /// What is wrong.
    pub what: String,
}

impl Misfit {
    pub(super) fn new(place: impl Into<String>, what: impl Into<String>) -> Self {
        Self { place: place.into(), what: what.into() }
    }
}
