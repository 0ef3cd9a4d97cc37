//! A trial as it is read through by the million: borrowed from the text of its record, without what neither a count nor a look at the
//! commitment needs.

use super::trial::StateName;
use serde::Deserialize;
use serde_json::value::RawValue;

/// A glance at a trial's record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Glance<'a> {
    /// Who listens. Not checked as a name.
    pub listener: &'a str,
    /// The number that the listener sees.
    pub number: u32,
    /// What was written before the first sound. Not checked as a digest.
    pub commitment: &'a str,
    /// When it was opened: a time as text, not read yet.
    pub opened_at: &'a str,
    /// It was played to a person without sound.
    pub practice: bool,
    /// Where it stands.
    pub state: GlanceState<'a>,
}

/// Where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GlanceState<'a> {
    /// No pick yet.
    Open,
    /// Void.
    Void,
    /// Answered.
    Answered {
        /// The pick.
        choice: &'a str,
        /// The text of the order that was hidden, as it stands in the record.
        order: &'a str,
        /// The nonce, hexadecimal. Not checked.
        nonce: &'a str,
        /// Right or wrong, as it was kept.
        right: Option<bool>,
        /// When the pick was taken down, as text.
        at: &'a str,
    },
}

#[derive(Deserialize)]
struct Fields<'a> {
    listener: &'a str,
    number: u32,
    commitment: &'a str,
    opened_at: &'a str,
    #[serde(default)]
    practice: bool,
    #[serde(borrow)]
    state: State<'a>,
}

#[derive(Deserialize)]
struct State<'a> {
    state: StateName,
    #[serde(borrow)]
    answer: Option<Pick<'a>>,
    #[serde(borrow)]
    order: Option<&'a RawValue>,
    nonce: Option<&'a str>,
    #[serde(default)]
    right: Option<bool>,
    at: Option<&'a str>,
}

#[derive(Deserialize)]
struct Pick<'a> {
    choice: &'a str,
}

impl<'a> Glance<'a> {
    /// Reads the text of a record. Nothing where the text cannot be borrowed from (a name with an escaped letter) or is no record:
    /// [`TrialRecord`](super::trial::TrialRecord) reads the one and names what is wrong with the other.
    #[must_use]
    pub fn read(text: &'a str) -> Option<Self> {
        let fields: Fields<'a> = serde_json::from_str(text).ok()?;
        let state = match fields.state.state {
            StateName::Open => GlanceState::Open,
            StateName::Void => GlanceState::Void,
            StateName::Answered => GlanceState::Answered {
                choice: fields.state.answer?.choice,
                order: fields.state.order?.get(),
                nonce: fields.state.nonce?,
                right: fields.state.right,
                at: fields.state.at?,
            },
        };
        let Fields { listener, number, commitment, opened_at, practice, .. } = fields;
        Some(Self { listener, number, commitment, opened_at, practice, state })
    }
}
