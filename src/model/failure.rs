//! The one error of all subjects: any room's error, with a sentence of context where the room could not know it.

use crate::model::explain::{Explain, Fate};
use std::fmt;
use std::path::Path;

/// Any room's error. It deliberately is no `Explain` itself, so that `?` turns each of them into it.
pub struct Failure(Box<dyn Explain + Send + Sync>);

impl Failure {
    /// What the room had to say.
    #[must_use]
    pub fn explain(&self) -> &(dyn Explain + Send + Sync) {
        &*self.0
    }

    /// A plain error without a room: kind, fate, message, next step.
    #[must_use]
    pub fn plain(kind: &'static str, fate: Fate, message: impl Into<String>, next: impl Into<String>) -> Self {
        Self(Box::new(Plain { kind, fate, message: message.into(), next: next.into(), path: None }))
    }

    /// The same, about a path.
    #[must_use]
    pub fn at_path(kind: &'static str, fate: Fate, path: &Path, message: impl Into<String>, next: impl Into<String>) -> Self {
        Self(Box::new(Plain { kind, fate, message: message.into(), next: next.into(), path: Some(path.to_owned()) }))
    }
}

impl<E: Explain + Send + Sync + 'static> From<E> for Failure {
    fn from(error: E) -> Self {
        Self(Box::new(error))
    }
}

impl fmt::Debug for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Failure({}: {})", self.0.kind(), self.0)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

#[derive(Debug, thiserror::Error)]
#[error("{message}")]
struct Plain {
    kind: &'static str,
    fate: Fate,
    message: String,
    next: String,
    path: Option<std::path::PathBuf>,
}

impl Explain for Plain {
    fn kind(&self) -> &'static str {
        self.kind
    }
    fn next(&self) -> String {
        self.next.clone()
    }
    fn fate(&self) -> Fate {
        self.fate
    }
    fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }
}
