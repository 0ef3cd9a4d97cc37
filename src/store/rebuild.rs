//! A session made again out of what was read of a damaged one: the log replayed as it was, its gaps filled from the tables and named.

use super::apply::apply;
use super::error::StoreError;
use super::event::{Event, Happening, Parts};
use super::rescue::Readable;
use super::salvaged::{Rows, makes, opened};
use super::secret::Secret;
use super::session::Session;
use super::{log, migrate};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// What could not be taken over as it was. It is the body of an entry in the new log.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gaps {
    /// Entries of the former log that are lost: from, to.
    pub lost: Vec<(i64, i64)>,
    /// Entries whose hash does not follow from those before.
    pub changed: Vec<i64>,
    /// Entries that could be read and not be taken over, with the reason.
    pub refused: Vec<(i64, String)>,
    /// Records that only the tables had, by table.
    pub from_tables: BTreeMap<String, usize>,
    /// The former log holds to this entry.
    pub holds_to: i64,
    /// Entries that could be read.
    pub entries: usize,
}

impl Gaps {
    /// True when the new session is the former one, byte for byte in its log.
    #[must_use]
    pub fn none(&self) -> bool {
        self.lost.is_empty() && self.changed.is_empty() && self.refused.is_empty() && self.from_tables.is_empty()
    }
}

/// Makes a session in a new folder out of what was read.
///
/// # Errors
/// The folder is taken or cannot be written.
pub fn rebuild(found: &[Readable], to: &Path, now: Timestamp) -> Result<(Session, Gaps), StoreError> {
    let rows = Rows::of(found);
    let mut session = Session::make(to, now)?;
    session.begin_batch()?;
    let mut work = Work { session: &session, rows: &rows, now, gaps: Gaps::default(), there: BTreeSet::new() };
    // A log that cannot be read to its end may have had more entries.
    let torn = found.iter().any(|t| t.table == "log" && t.lost.is_some()) || rows.entries.is_empty();
    work.log(torn).map_err(|e| session.database("rescuing", e))?;
    let gaps = work.gaps;
    if session.note(super::apply::SESSION_ID)?.is_none() {
        let id = migrate::fresh_id()?;
        migrate::tell_unlogged(session.connection(), super::versions::EVENTS - 1, &id, now)
            .map_err(|e| session.database("rescuing", e))?;
    }
    if !gaps.none() {
        session.happened(Happening::Rescued, "session", &gaps, now)?;
    }
    session.commit_batch()?;
    Ok((session, gaps))
}

struct Work<'a> {
    session: &'a Session,
    rows: &'a Rows,
    now: Timestamp,
    gaps: Gaps,
    there: BTreeSet<(&'static str, String)>,
}

impl Work<'_> {
    fn log(&mut self, torn: bool) -> rusqlite::Result<()> {
        let entries = &self.rows.entries;
        self.gaps.entries = entries.len();
        let mut wanted = 1;
        for (i, entry) in entries.iter().enumerate() {
            if entry.seq > wanted {
                self.gaps.lost.push((wanted, entry.seq - 1));
                self.fill(&entries[i..])?;
            }
            wanted = entry.seq.saturating_add(1);
            let parts = Parts { what: entry.what.clone(), subject: entry.subject.clone(), body: entry.body.clone() };
            let whole = self.gaps.none();
            match Event::read(&entry.what, &entry.subject, &entry.body) {
                Err(what) => self.gaps.refused.push((entry.seq, what)),
                Ok(event) => self.take_over(entry.seq, &entry.at, &event, &parts)?,
            }
            if whole && self.gaps.none() {
                if log::last(self.session.connection())?.1 == entry.hash {
                    self.gaps.holds_to = entry.seq;
                } else {
                    self.gaps.changed.push(entry.seq);
                }
            }
        }
        if torn || !self.gaps.none() { self.fill(&[]) } else { Ok(()) }
    }

    /// One entry of the former log. What it needs and a gap swallowed is put before it.
    fn take_over(&mut self, seq: i64, at: &str, event: &Event, parts: &Parts) -> rusqlite::Result<()> {
        // A second telling of what a gap was filled with.
        let made = makes(event);
        let again = !made.is_empty() && made.iter().all(|m| self.there.contains(m));
        if again && !self.gaps.none() && !matches!(event, Event::Noted(..) | Event::RigRead(_)) {
            return Ok(());
        }
        if let Event::DiReplaced(id) = event {
            self.there.remove(&("take", id.to_string()));
        }
        let mut done = self.happen(at, event, parts);
        if done.is_err()
            && let Event::Picked(trial) | Event::Voided(trial) = event
            && let Some(opening) = opened(trial.value())
        {
            self.synthesise("trial", &opening);
            done = self.happen(at, event, parts);
        }
        if let Err(error) = done {
            let what = match error {
                rusqlite::Error::QueryReturnedNoRows => "what it changes was lost".to_owned(),
                other => other.to_string(),
            };
            self.gaps.refused.push((seq, what));
        }
        Ok(())
    }

    fn happen(&mut self, at: &str, event: &Event, parts: &Parts) -> rusqlite::Result<()> {
        let secret = match event {
            Event::Invited(test, listener, hash) => {
                let code = self.rows.secrets.code(test, listener, hash.as_ref());
                Secret::Code(code.ok_or(rusqlite::Error::QueryReturnedNoRows)?)
            }
            Event::MontageMade(montage, _) => {
                let key = self.rows.secrets.key(&montage.value().id);
                Secret::Key(key.ok_or(rusqlite::Error::QueryReturnedNoRows)?)
            }
            _ => Secret::None,
        };
        let tx = self.session.connection();
        tx.execute_batch("SAVEPOINT entry")?;
        let done = apply(tx, at, event, secret).and_then(|()| log::append(tx, at, parts));
        if done.is_err() {
            tx.execute_batch("ROLLBACK TO entry")?;
        }
        tx.execute_batch("RELEASE entry")?;
        if done.is_ok() {
            self.there.extend(makes(event));
        }
        done
    }

    fn synthesise(&mut self, table: &str, event: &Event) {
        let Ok(parts) = event.parts() else { return };
        if self.happen(&self.now.to_string(), event, &parts).is_ok() {
            *self.gaps.from_tables.entry(table.to_owned()).or_default() += 1;
        }
    }

    /// What the tables hold and neither the log so far nor the rest of it tells of.
    fn fill(&mut self, rest: &[super::salvaged::Entry]) -> rusqlite::Result<()> {
        let later: BTreeSet<(&'static str, String)> =
            rest.iter().filter_map(|e| Event::read(&e.what, &e.subject, &e.body).ok()).flat_map(|event| makes(&event)).collect();
        let rows = self.rows;
        for (table, name, events) in &rows.made {
            let key = (*table, name.clone());
            if self.there.contains(&key) || later.contains(&key) {
                continue;
            }
            events.iter().for_each(|event| self.synthesise(table, event));
        }
        Ok(())
    }
}
