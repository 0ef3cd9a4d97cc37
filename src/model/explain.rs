//! What every error of every room can say: its stable kind, what to do next, and how the program ends.

use std::path::Path;

/// How the program ends when an error reaches the command line. The numbers are the documented exit codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fate {
    /// Failed while working: disk, device, a session locked by another process. Exit code 1.
    Failed,
    /// Wrong use. Exit code 2.
    WrongUse,
    /// Refused on purpose: a load that must not be connected, a sealed test, a peek, output that exists already. Exit code 3.
    Refused,
    /// The input is not fit: a bad recording, a faulty sheet, a missing path. Exit code 4.
    Unfit,
}

impl Fate {
    /// The documented exit code.
    #[must_use]
    pub fn exit_code(self) -> u8 {
        match self {
            Self::Failed => 1,
            Self::WrongUse => 2,
            Self::Refused => 3,
            Self::Unfit => 4,
        }
    }
}

/// An error that can be shown to a musician: `Display` says what was given and what was wanted.
pub trait Explain: std::error::Error {
    /// A stable name in kebab-case, for documents.
    fn kind(&self) -> &'static str;

    /// What to do next, one sentence.
    fn next(&self) -> String;

    /// How the program ends.
    fn fate(&self) -> Fate;

    /// The file concerned.
    fn path(&self) -> Option<&Path> {
        None
    }

    /// The column concerned, counted in characters from 1.
    fn column(&self) -> Option<usize> {
        None
    }
}

/// A path as it can be typed into a shell: in quotes where it holds more than plain characters.
#[must_use]
pub fn quoted(path: &Path) -> String {
    let text = path.display().to_string();
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '/' | '.' | '-' | '_' | '+' | ',' | ':' | '@' | '%' | '=');
    if !text.is_empty() && text.chars().all(plain) { text } else { format!("'{}'", text.replace('\'', "'\\''")) }
}

impl Explain for crate::units::UnitError {
    fn kind(&self) -> &'static str {
        "out-of-range"
    }
    fn next(&self) -> String {
        format!("give {}", self.wanted)
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
}

impl Explain for super::ids::NameError {
    fn kind(&self) -> &'static str {
        "bad-name"
    }
    fn next(&self) -> String {
        format!("choose another name for the {}", self.what)
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
}
