//! Takes, matching runs, clips, meter readings.

use super::error::{StoreError, no_such};
use super::event::{Event, TakeChange};
use super::session::Session;
use crate::model::ids::TakeId;
use crate::model::session::{Clip, MatchRun, MeterRecord, Take};
use jiff::Timestamp;

impl Session {
    /// All takes in the order of import, the DI and withdrawn ones included.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn takes(&self) -> Result<Vec<Take>, StoreError> {
        self.records("SELECT record FROM take ORDER BY seq", [])
    }

    /// The number that the next take gets, from 1.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn next_take(&self) -> Result<u32, StoreError> {
        let last = self.number("SELECT coalesce(max(seq), 0) FROM take", [])?;
        Ok(u32::try_from(last).unwrap_or(u32::MAX).saturating_add(1))
    }

    /// Keeps takes, all or none.
    ///
    /// # Errors
    /// [`StoreError::Database`]; the same recording (hash and channel) a second time is one, unless the first was withdrawn.
    pub fn add_takes(&mut self, takes: &[Take], now: Timestamp) -> Result<(), StoreError> {
        let takes = takes.iter().map(|t| self.kept(t)).collect::<Result<Vec<_>, _>>()?;
        self.commit(&Event::TakesAdded(takes), now)
    }

    /// Replaces the record of a take: `withdraw`, `reassign`, or found faulty by a later check.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name.
    pub fn update_take(&mut self, what: &'static str, take: &Take, now: Timestamp) -> Result<(), StoreError> {
        let event = Event::TakeChanged(TakeChange::named(what), self.kept(take)?);
        self.commit(&event, now).map_err(|e| no_such(e, "take", take.id.as_str()))
    }

    /// Removes the DI's record so that another can take its place. The file under `takes/` stays, and so does the log entry.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when it is not the DI; [`StoreError::Database`].
    pub fn drop_di(&mut self, id: &TakeId, now: Timestamp) -> Result<(), StoreError> {
        self.commit(&Event::DiReplaced(id.clone()), now).map_err(|e| no_such(e, "DI", id.as_str()))
    }

    /// All matching runs, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn match_runs(&self) -> Result<Vec<MatchRun>, StoreError> {
        self.records("SELECT record FROM match_run ORDER BY run", [])
    }

    /// All clips, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn clips(&self) -> Result<Vec<Clip>, StoreError> {
        self.records("SELECT record FROM clip ORDER BY seq", [])
    }

    /// The number that the next clip gets, from 1.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn next_clip(&self) -> Result<u32, StoreError> {
        let last = self.number("SELECT coalesce(max(seq), 0) FROM clip", [])?;
        Ok(u32::try_from(last).unwrap_or(u32::MAX).saturating_add(1))
    }

    /// Keeps a matching run with its clips, all or none.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_match_run(&mut self, run: &MatchRun, clips: &[Clip], now: Timestamp) -> Result<(), StoreError> {
        let clips = clips.iter().map(|c| self.kept(c)).collect::<Result<Vec<_>, _>>()?;
        let event = Event::ClipsMade(self.kept(run)?, clips);
        self.commit(&event, now)
    }

    /// All meter readings, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn meter_readings(&self) -> Result<Vec<MeterRecord>, StoreError> {
        self.records("SELECT record FROM meter ORDER BY seq", [])
    }

    /// Keeps a meter reading.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_meter_reading(&mut self, reading: &MeterRecord, now: Timestamp) -> Result<(), StoreError> {
        let reading = self.kept(reading)?;
        self.commit(&Event::Metered(reading), now)
    }
}
