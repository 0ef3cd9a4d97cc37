//! What a matching run is asked for.

use crate::matching::aim::Measure;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::session::Excerpt;
use crate::units::{Dbtp, UnitError};

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// Keep raw levels.
    pub as_recorded: bool,
    /// Excerpts; empty: the whole common span.
    pub excerpts: Vec<Excerpt>,
    /// The ceiling.
    pub ceiling: Dbtp,
    /// Takes whose flipped polarity the engineer has confirmed: their clips are turned.
    pub turn: Vec<TakeId>,
    /// The same for all takes of a setup (at one mic) that were found to be upside down.
    pub turn_setups: Vec<(SetupName, Option<MicName>)>,
    /// The model of loudness that clips are matched by.
    pub measure: Measure,
    /// One gain for all takes of a setup: what their levels differ by stays, and the clips are recordings, not setups.
    pub per_setup: bool,
    /// What the engineer says is meant.
    pub confirm: Option<Confirm>,
}

impl Request {
    /// What is usual: K-weighted loudness, a ceiling of -1 dBTP (EBU R 128), every clip by itself, nothing turned or confirmed.
    ///
    /// # Errors
    /// None in practice: the ceiling is a level.
    pub fn usual(excerpts: Vec<Excerpt>, as_recorded: bool) -> Result<Self, UnitError> {
        Ok(Self {
            as_recorded,
            excerpts,
            ceiling: Dbtp::new(-1.0)?,
            turn: Vec::new(),
            turn_setups: Vec::new(),
            measure: Measure::K,
            per_setup: false,
            confirm: None,
        })
    }
}

/// Kinds of finding that are meant, and why.
#[derive(Debug, Clone)]
pub struct Confirm {
    /// Their stable names.
    pub kinds: Vec<String>,
    /// Printed in every report.
    pub reason: String,
}
