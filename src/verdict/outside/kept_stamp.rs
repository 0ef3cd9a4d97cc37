//! A time stamp as the log keeps it.

use super::docs::StampDoc;
use crate::verdict::promises::Problem;
use serde::{Deserialize, Serialize};

/// An authority's answer with the certificates that were given.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct KeptStamp {
    /// The authority's answer, hexadecimal.
    pub(super) answer: String,
    /// The certificates that were given with it, PEM.
    pub(super) authority: Option<String>,
}

/// Where what is found goes.
pub(super) struct Found<'a> {
    pub(super) docs: &'a mut Vec<StampDoc>,
    pub(super) new: &'a mut Vec<KeptStamp>,
    pub(super) problems: &'a mut Vec<Problem>,
}
