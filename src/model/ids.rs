//! Names. A name is checked once, when it is made; from then on it can be trusted in messages and documents (never in paths).

use serde::{Deserialize, Serialize};
use std::fmt;

/// A name that cannot be one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{given:?} cannot be the name of a {what}: {wanted}")]
pub struct NameError {
    /// What was to be named, for example `setup`.
    pub what: &'static str,
    /// What was given.
    pub given: String,
    /// What would have been accepted.
    pub wanted: &'static str,
}

const WANTED: &str = "wanted 1 to 40 letters, digits, '-', '_' or '.', beginning with a letter or digit";
const WANTED_SETUP: &str = "A, B, X and plain numbers are what a listener presses, DI is what every setup plays; take a name such as \"series\" or \"s16\"";

fn plain(what: &'static str, text: &str) -> Result<String, NameError> {
    let fits = (1..=40).contains(&text.chars().count())
        && text.chars().all(|c| c.is_alphanumeric() || matches!(c, '-' | '_' | '.'))
        && text.chars().next().is_some_and(char::is_alphanumeric);
    if fits { Ok(text.to_owned()) } else { Err(NameError { what, given: text.to_owned(), wanted: WANTED }) }
}

/// What every setup plays, and no setup's name.
const DI: &str = "DI";

fn kept_setup(what: &'static str, text: &str) -> Result<String, NameError> {
    let pressed =
        matches!(text, "A" | "B" | "X" | "a" | "b" | "x") || (!text.is_empty() && text.chars().all(|c| c.is_ascii_digit()));
    if pressed { Err(NameError { what, given: text.to_owned(), wanted: WANTED_SETUP }) } else { plain(what, text) }
}

macro_rules! name {
    ($(#[$meta:meta])* $name:ident, $what:literal, $check:expr) => {
        name!($(#[$meta])* $name, $what, $check, $check);
    };
    // The last check is for names that a session holds already: it must open whatever an older program let in.
    ($(#[$meta:meta])* $name:ident, $what:literal, $check:expr, $kept:expr) => {
        $(#[$meta])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub struct $name(String);

        impl $name {
            /// Checks and takes a name.
            ///
            /// # Errors
            /// [`NameError`] when the text cannot be a name of this kind.
            pub fn new(text: &str) -> Result<Self, NameError> {
                let check: fn(&'static str, &str) -> Result<String, NameError> = $check;
                check($what, text).map(Self)
            }

            /// The name as text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }

        impl TryFrom<String> for $name {
            type Error = NameError;
            fn try_from(text: String) -> Result<Self, NameError> {
                let check: fn(&'static str, &str) -> Result<String, NameError> = $kept;
                check($what, &text).map(Self)
            }
        }

        impl std::borrow::Borrow<str> for $name {
            fn borrow(&self) -> &str {
                &self.0
            }
        }

        impl std::str::FromStr for $name {
            type Err = NameError;
            fn from_str(text: &str) -> Result<Self, NameError> {
                Self::new(text)
            }
        }

        impl From<$name> for String {
            fn from(name: $name) -> String {
                name.0
            }
        }
    };
}

name!(
    /// A setup: a wiring on a tap, everything else held. `A`, `B`, `X` and plain numbers are refused: listeners press those. So is `DI`.
    SetupName, "setup",
    |what, text| {
        if text.eq_ignore_ascii_case(DI) { Err(NameError { what, given: text.to_owned(), wanted: WANTED_SETUP }) } else { kept_setup(what, text) }
    },
    kept_setup
);
name!(
    /// A wiring of the rig sheet.
    WiringName, "wiring", plain
);
name!(
    /// A mic or a blend of mics.
    MicName, "mic", plain
);
name!(
    /// A stretch of the performance that is listened to.
    ExcerptName, "excerpt", plain
);
name!(
    /// A listener's code: what the report prints, so not a full name unless the listener wishes it.
    ListenerCode, "listener", plain
);
name!(
    /// A take's number, `t001`.
    TakeId, "take", plain
);
name!(
    /// A clip's number, `c001`.
    ClipId, "clip", plain
);
name!(
    /// A sealed test's number, `test-1`.
    TestId, "test", plain
);
name!(
    /// A blind montage's number, `montage-1`.
    MontageId, "montage", plain
);
name!(
    /// A session's id: 32 random hexadecimal digits, drawn when it is made. A copy keeps it.
    SessionId, "session", plain
);
name!(
    /// A trial's id: 32 random hexadecimal digits, so that no order or time can be read from it.
    TrialId, "trial", plain
);

/// A driver's label in a network: a letter, then up to 15 letters, digits or `_`; ASCII; capitals count.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct DriverLabel(String);

impl DriverLabel {
    /// Checks and takes a label.
    ///
    /// # Errors
    /// [`NameError`] when the text is no label.
    pub fn new(text: &str) -> Result<Self, NameError> {
        let mut chars = text.chars();
        let fits = chars.next().is_some_and(|c| c.is_ascii_alphabetic())
            && chars.all(|c| c.is_ascii_alphanumeric() || c == '_')
            && text.len() <= 16;
        if fits {
            Ok(Self(text.to_owned()))
        } else {
            Err(NameError { what: "driver", given: text.to_owned(), wanted: "a letter, then up to 15 letters, digits or '_'" })
        }
    }

    /// The label as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for DriverLabel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl TryFrom<String> for DriverLabel {
    type Error = NameError;
    fn try_from(text: String) -> Result<Self, NameError> {
        Self::new(&text)
    }
}

impl From<DriverLabel> for String {
    fn from(label: DriverLabel) -> String {
        label.0
    }
}

impl SetupName {
    /// True for a name that no setup can get any more, though an older session may hold it.
    #[must_use]
    pub fn is_reserved(&self) -> bool {
        self.0.eq_ignore_ascii_case(DI)
    }
}

impl MicName {
    /// The mic of a session whose sheet names none: `main`.
    #[must_use]
    pub fn main() -> Self {
        Self("main".to_owned())
    }
}
