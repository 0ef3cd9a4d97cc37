//! Sealed tests, listeners, trials, invitations.

use super::error::StoreError;
use super::session::Session;
use crate::model::ids::{ListenerCode, TestId, TrialId};
use crate::model::session::Listener;
use crate::model::trial::{SealedTest, TrialRecord, TrialState};
use jiff::Timestamp;

fn state_name(state: &TrialState) -> &'static str {
    match state {
        TrialState::Open => "open",
        TrialState::Answered { .. } => "answered",
        TrialState::Void { .. } => "void",
    }
}

impl Session {
    /// All sealed tests, oldest first.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn tests(&self) -> Result<Vec<SealedTest>, StoreError> {
        self.records("SELECT record FROM test ORDER BY seq", [])
    }

    /// One sealed test.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that name.
    pub fn test(&self, id: &TestId) -> Result<SealedTest, StoreError> {
        let mut found: Vec<SealedTest> = self.records("SELECT record FROM test WHERE id = ?1", [id.as_str()])?;
        found.pop().ok_or_else(|| StoreError::NoSuch { what: "test", name: id.to_string() })
    }

    /// The number that the next test gets, from 1.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn next_test(&self) -> Result<u32, StoreError> {
        let last = self.number("SELECT coalesce(max(seq), 0) FROM test", [])?;
        Ok(u32::try_from(last).unwrap_or(u32::MAX).saturating_add(1))
    }

    /// Keeps a sealed test.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_test(&mut self, test: &SealedTest, now: Timestamp) -> Result<(), StoreError> {
        let (seq, record) = (self.next_test()?, self.json(test)?);
        self.change(now, "seal", test.plan.test.as_str(), &record, |tx| {
            tx.execute(
                "INSERT INTO test (id, seq, seal, canonical, closed_at, record) VALUES (?1, ?2, ?3, ?4, NULL, ?5)",
                (test.plan.test.as_str(), seq, test.seal.as_str(), &test.canonical, &record),
            )
            .map(|_| ())
        })
    }

    /// Closes a test for good.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when it is closed already.
    pub fn close_test(&mut self, id: &TestId, now: Timestamp) -> Result<(), StoreError> {
        let mut test = self.test(id)?;
        if let Some(at) = test.closed_at {
            return Err(StoreError::NotAllowed { what: format!("{id} was closed at {at:.0} and stays so") });
        }
        test.closed_at = Some(now);
        let record = self.json(&test)?;
        self.change(now, "close", id.as_str(), &record, |tx| {
            tx.execute(
                "UPDATE test SET closed_at = ?2, record = ?3 WHERE id = ?1 AND closed_at IS NULL",
                (id.as_str(), now.to_string(), &record),
            )
            .map(|_| ())
        })
    }

    /// All listeners.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn listeners(&self) -> Result<Vec<Listener>, StoreError> {
        self.records("SELECT record FROM listener ORDER BY rowid", [])
    }

    /// True when a listener is a simulated one; false for people and for codes that nobody has.
    ///
    /// # Errors
    /// [`StoreError`] when the records cannot be read.
    pub fn is_simulated(&self, code: &ListenerCode) -> Result<bool, StoreError> {
        Ok(self.number("SELECT count(*) FROM listener WHERE code = ?1 AND simulated = 1", [code.as_str()])? > 0)
    }

    /// Keeps a listener. Simulated ones are marked for ever: the same code can never become a person's, nor the other way round.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when the code belongs to the other kind.
    pub fn add_listener(&mut self, listener: &Listener, now: Timestamp) -> Result<(), StoreError> {
        let known: Vec<Listener> = self.records("SELECT record FROM listener WHERE code = ?1", [listener.code.as_str()])?;
        if let Some(known) = known.first() {
            if known.simulated == listener.simulated {
                return Ok(());
            }
            let (is, wanted) =
                if known.simulated { ("a simulated listener", "a person") } else { ("a person", "a simulated listener") };
            let what = format!("{} is {is} in this session and cannot become {wanted}: take another code", listener.code);
            return Err(StoreError::NotAllowed { what });
        }
        let record = self.json(listener)?;
        self.change(now, "listener", listener.code.as_str(), &record, |tx| {
            tx.execute("INSERT INTO listener VALUES (?1, ?2, ?3)", (listener.code.as_str(), listener.simulated, &record))
                .map(|_| ())
        })
    }

    /// The trials of a test in the order of opening, void ones included.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn trials(&self, test: &TestId) -> Result<Vec<TrialRecord>, StoreError> {
        self.records("SELECT record FROM trial WHERE test = ?1 ORDER BY seq", [test.as_str()])
    }

    /// Hands out the trials of a test one after another, in the order of opening.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn each_trial(&self, test: &TestId, each: &mut dyn FnMut(TrialRecord)) -> Result<(), StoreError> {
        self.each_record("SELECT record FROM trial WHERE test = ?1 ORDER BY seq", [test.as_str()], each)
    }

    /// Hands out the records of all trials of all tests as they lie in the file, each with the name of its test, in the order of opening:
    /// one pass, in which nothing is sorted or kept.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read; [`StoreError::Damaged`] with what `each` says of a record.
    pub fn each_trial_text(&self, each: &mut dyn FnMut(&str, &str) -> Result<(), String>) -> Result<(), StoreError> {
        let mut read = || -> rusqlite::Result<Result<(), String>> {
            let mut statement = self.connection().prepare_cached("SELECT test, record FROM trial ORDER BY seq")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                if let Err(what) = each(row.get_ref(0)?.as_str()?, row.get_ref(1)?.as_str()?) {
                    return Ok(Err(what));
                }
            }
            Ok(Ok(()))
        };
        read()
            .map_err(|e| self.database("reading the trials", e))?
            .map_err(|e| StoreError::Damaged { folder: self.folder().to_owned(), what: format!("a record cannot be read: {e}") })
    }

    /// One trial.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`] when there is none of that id.
    pub fn trial(&self, id: &TrialId) -> Result<TrialRecord, StoreError> {
        let mut found: Vec<TrialRecord> = self.records("SELECT record FROM trial WHERE id = ?1", [id.as_str()])?;
        found.pop().ok_or_else(|| StoreError::NoSuch { what: "trial", name: id.to_string() })
    }

    /// Writes down that a trial is open, with its commitment, before the first sound.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when the trial is not in the open state, or its test is closed.
    pub fn open_trial(&mut self, trial: &TrialRecord, now: Timestamp) -> Result<(), StoreError> {
        if trial.state != TrialState::Open {
            return Err(StoreError::NotAllowed { what: "only an open trial can be opened".to_owned() });
        }
        if self.test(&trial.test)?.closed_at.is_some() {
            return Err(StoreError::NotAllowed { what: format!("{} is closed", trial.test) });
        }
        let record = self.json(trial)?;
        self.change(now, "open", trial.id.as_str(), &record, |tx| {
            let mut statement =
                tx.prepare_cached("INSERT INTO trial SELECT ?1, coalesce(max(seq), 0) + 1, ?2, ?3, 'open', ?4, ?5 FROM trial")?;
            statement
                .execute((trial.id.as_str(), trial.test.as_str(), trial.listener.as_str(), trial.commitment.as_str(), &record))
                .map(|_| ())
        })
    }

    /// Ends an open trial: pick, order and nonce in one transaction, or void. On disk when this returns.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when the trial is not open any more.
    pub fn end_trial(&mut self, trial: &TrialRecord, now: Timestamp) -> Result<(), StoreError> {
        let what = match trial.state {
            TrialState::Open => return Err(StoreError::NotAllowed { what: "a trial ends by a pick or void".to_owned() }),
            TrialState::Answered { .. } => "pick",
            TrialState::Void { .. } => "void",
        };
        let record = self.json(trial)?;
        let changed = self.change(now, what, trial.id.as_str(), &record, |tx| {
            let mut statement = tx.prepare_cached("UPDATE trial SET state = ?2, record = ?3 WHERE id = ?1 AND state = 'open'")?;
            let changed = statement.execute((trial.id.as_str(), state_name(&trial.state), &record))?;
            // Without an open trial there is nothing to log either: the transaction is given up.
            if changed == 1 { Ok(changed) } else { Err(rusqlite::Error::QueryReturnedNoRows) }
        });
        match changed {
            Err(StoreError::Database { source: rusqlite::Error::QueryReturnedNoRows, .. }) => {
                Err(StoreError::NotAllowed { what: format!("trial {} is not open any more", trial.id) })
            }
            other => other.map(|_| ()),
        }
    }

    /// The invitation code of a listener for a test, kept from `fresh` if there is none yet.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn invite(&mut self, test: &TestId, listener: &ListenerCode, fresh: &str, now: Timestamp) -> Result<String, StoreError> {
        let known = self.invitations()?.into_iter().find(|(_, t, l)| t == test && l == listener);
        if let Some((code, _, _)) = known {
            return Ok(code);
        }
        // The code itself stays out of the log: it opens the listening page.
        self.change(now, "invite", listener.as_str(), test.as_str(), |tx| {
            tx.execute("INSERT INTO invitation VALUES (?1, ?2, ?3)", (fresh, test.as_str(), listener.as_str())).map(|_| ())
        })?;
        Ok(fresh.to_owned())
    }

    /// All invitations: code, test, listener.
    ///
    /// # Errors
    /// [`StoreError`] when they cannot be read.
    pub fn invitations(&self) -> Result<Vec<(String, TestId, ListenerCode)>, StoreError> {
        let read = || -> rusqlite::Result<Vec<(String, String, String)>> {
            let mut statement = self.connection().prepare("SELECT code, test, listener FROM invitation ORDER BY rowid")?;
            let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
            rows.collect()
        };
        let rows = read().map_err(|e| self.database("reading the invitations", e))?;
        let name =
            |e: crate::model::ids::NameError| StoreError::Damaged { folder: self.folder().to_owned(), what: e.to_string() };
        rows.into_iter()
            .map(|(code, test, listener)| {
                Ok((code, TestId::new(&test).map_err(name)?, ListenerCode::new(&listener).map_err(name)?))
            })
            .collect()
    }
}
