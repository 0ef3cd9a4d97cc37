//! Takes, matching runs, clips, meter readings.

use super::error::StoreError;
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
        let mut rows = Vec::new();
        for (seq, take) in (i64::from(self.next_take()?)..).zip(takes) {
            rows.push((seq, take, self.json(take)?));
        }
        let subjects: Vec<_> = takes.iter().map(|t| t.id.as_str()).collect();
        let body = self.json(&takes)?;
        self.change(now, "take", &subjects.join(" "), &body, |tx| {
            for (seq, take, record) in &rows {
                tx.execute(
                    "INSERT INTO take VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                    (
                        take.id.as_str(),
                        seq,
                        take.setup.as_ref().map(|s| s.as_str()),
                        take.mic.as_str(),
                        take.pass,
                        take.sha256.as_str(),
                        take.channel.map_or(-1, i64::from),
                        record,
                    ),
                )?;
            }
            Ok(())
        })
    }

    /// Replaces the record of a take: withdrawn, reassigned, or found faulty by a later check.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name.
    pub fn update_take(&mut self, what: &'static str, take: &Take, now: Timestamp) -> Result<(), StoreError> {
        let record = self.json(take)?;
        let changed = self.change(now, what, take.id.as_str(), &record, |tx| {
            tx.execute(
                "UPDATE take SET setup = ?2, mic = ?3, pass = ?4, record = ?5 WHERE id = ?1",
                (take.id.as_str(), take.setup.as_ref().map(|s| s.as_str()), take.mic.as_str(), take.pass, &record),
            )
        })?;
        if changed == 0 { Err(StoreError::NoSuch { what: "take", name: take.id.to_string() }) } else { Ok(()) }
    }

    /// Removes the DI's record so that another can take its place. The file under `takes/` stays, and so does the log entry.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn drop_di(&mut self, id: &TakeId, now: Timestamp) -> Result<(), StoreError> {
        self.change(now, "di-replaced", id.as_str(), "", |tx| {
            tx.execute("DELETE FROM take WHERE id = ?1 AND setup IS NULL", [id.as_str()]).map(|_| ())
        })
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
        let mut rows = Vec::new();
        for (seq, clip) in (i64::from(self.next_clip()?)..).zip(clips) {
            rows.push((seq, clip, self.json(clip)?));
        }
        let record = self.json(run)?;
        let body = self.json(&(run, clips))?;
        self.change(now, "match", &format!("run-{}", run.run), &body, |tx| {
            tx.execute("INSERT INTO match_run VALUES (?1, ?2)", (run.run, &record))?;
            for (seq, clip, record) in &rows {
                tx.execute(
                    "INSERT INTO clip VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    (clip.id.as_str(), seq, clip.run, clip.setup.as_str(), clip.take.as_str(), record),
                )?;
            }
            Ok(())
        })
    }

    /// Replaces the record of a matching run: given up.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that number.
    pub fn update_match_run(&mut self, what: &'static str, run: &MatchRun, now: Timestamp) -> Result<(), StoreError> {
        let (record, name) = (self.json(run)?, format!("run-{}", run.run));
        let changed = self.change(now, what, &name, &record, |tx| {
            tx.execute("UPDATE match_run SET record = ?2 WHERE run = ?1", (run.run, &record))
        })?;
        if changed == 0 { Err(StoreError::NoSuch { what: "matching run", name }) } else { Ok(()) }
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
        let record = self.json(reading)?;
        self.change(now, "meter", &reading.wiring, &record, |tx| {
            tx.execute("INSERT INTO meter (wiring, record) VALUES (?1, ?2)", (&reading.wiring, &record)).map(|_| ())
        })
    }
}
