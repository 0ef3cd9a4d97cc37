//! What may be wrong with a wiring in words: stable names, a column, a caret line, and what to write instead.

use crate::model::explain::{Explain, Fate};
use std::fmt;

/// The kinds of fault, by their stable names.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// Nothing there.
    Empty,
    /// A character that the notation does not know.
    BadCharacter,
    /// `-` between two drivers.
    BadOperator,
    /// An operator without a driver behind or before it.
    MissingOperand,
    /// Two drivers without an operator.
    MissingOperator,
    /// A parenthesis without its partner.
    Unbalanced,
    /// `+` and `||` side by side.
    MixedOperators,
    /// No driver of that label.
    UnknownDriver,
    /// A driver in two places.
    DriverTwice,
    /// More than 256 characters.
    TooLong,
    /// More than 32 parentheses deep.
    TooDeep,
    /// More than 16 drivers.
    TooMany,
}

impl Fault {
    /// The stable name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::BadCharacter => "bad-character",
            Self::BadOperator => "bad-operator",
            Self::MissingOperand => "missing-operand",
            Self::MissingOperator => "missing-operator",
            Self::Unbalanced => "unbalanced",
            Self::MixedOperators => "mixed-operators",
            Self::UnknownDriver => "unknown-driver",
            Self::DriverTwice => "driver-twice",
            Self::TooLong => "too-long",
            Self::TooDeep => "too-deep",
            Self::TooMany => "too-many",
        }
    }
}

/// A wiring that cannot be read: the leftmost fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotationError {
    /// The kind.
    pub fault: Fault,
    /// Where, counted in characters from 1.
    pub column: usize,
    /// What was given.
    pub text: String,
    /// What is wrong, in words.
    pub what: String,
    /// What to write instead.
    pub hint: String,
}

impl NotationError {
    /// The text and a caret under the column, both indented by two spaces; of long texts the part around the column.
    #[must_use]
    pub fn caret(&self) -> String {
        let chars: Vec<char> = self.text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        let from = self.column.saturating_sub(50);
        let shown: String = chars.iter().skip(from).take(70).collect();
        format!("  {}\n  {}^", shown.trim_end(), " ".repeat(self.column - 1 - from.min(self.column - 1)))
    }
}

impl fmt::Display for NotationError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the wiring cannot be read at column {}: {}\n{}", self.column, self.what, self.caret())
    }
}

impl std::error::Error for NotationError {}

impl Explain for NotationError {
    fn kind(&self) -> &'static str {
        self.fault.name()
    }
    fn next(&self) -> String {
        self.hint.clone()
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
    fn column(&self) -> Option<usize> {
        Some(self.column)
    }
}
