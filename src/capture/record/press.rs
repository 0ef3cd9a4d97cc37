//! What can be pressed at a sitting: a key in the terminal, a button on the desk.

use crate::model::session::MeterValue;
use serde::Serialize;

/// What was pressed or typed.
#[derive(Debug, Clone, PartialEq)]
pub enum Press {
    /// Go on.
    Enter,
    /// Stop, at once, whatever sounds; elsewhere nothing.
    Escape,
    /// A letter.
    Key(char),
    /// An ohmmeter reading.
    Reading(MeterValue),
}

impl Press {
    /// The press of a key by its name, as an [`Offer`] has it: `Enter`, `Esc`, or the letter.
    #[must_use]
    pub fn of_key(name: &str) -> Option<Self> {
        let mut letters = name.chars();
        match (name, letters.next(), letters.next()) {
            ("Enter", ..) => Some(Self::Enter),
            ("Esc", ..) => Some(Self::Escape),
            (_, Some(letter), None) => Some(Self::Key(letter)),
            _ => None,
        }
    }
}

/// Something that can be done now.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Offer {
    /// The key: `Enter`, `Esc`, or a letter.
    pub key: &'static str,
    /// What it does.
    pub label: &'static str,
    /// It ends the sitting; what was not done is left as it is.
    pub leaves: bool,
}

impl Offer {
    /// A key that the sitting handles.
    #[must_use]
    pub const fn new(key: &'static str, label: &'static str) -> Self {
        Self { key, label, leaves: false }
    }

    /// A key that leaves.
    #[must_use]
    pub const fn leave(key: &'static str) -> Self {
        Self { key, label: "leave", leaves: true }
    }
}
