//! Sealed tests, listeners, trials, invitations.

use super::error::{StoreError, not_allowed};
use super::event::{Event, GivenUp, SealContext};
use super::random;
use super::secret::Secret;
use super::session::Session;
use crate::model::audio::Sha256Hex;
use crate::model::ids::{ListenerCode, TestId, TrialId};
use crate::model::session::Listener;
use crate::model::trial::{SealedTest, TrialRecord, TrialState};
use jiff::Timestamp;

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

    /// What a test that is sealed now is sealed under: session id, head of the log, and a fresh nonce.
    ///
    /// # Errors
    /// [`StoreError::NoRandomness`]; the log cannot be read.
    pub fn seal_context(&self) -> Result<SealContext, StoreError> {
        let nonce = random::bytes().map_err(|source| StoreError::NoRandomness { source })?;
        Ok(SealContext { session_id: self.id()?, head: self.head()?, nonce: Sha256Hex::from_bytes(&nonce) })
    }

    /// Keeps a sealed test under a context that was drawn for it.
    ///
    /// # Errors
    /// [`StoreError::Database`].
    pub fn add_test_with(&mut self, test: &SealedTest, context: &SealContext, now: Timestamp) -> Result<(), StoreError> {
        let event = Event::TestSealed(self.kept(test)?, Some(self.kept(context)?));
        self.commit(&event, now)
    }

    /// The same under a context that is drawn here.
    ///
    /// # Errors
    /// As [`Session::seal_context`] and [`Session::add_test_with`].
    pub fn add_test(&mut self, test: &SealedTest, now: Timestamp) -> Result<(), StoreError> {
        let context = self.seal_context()?;
        self.add_test_with(test, &context, now)
    }

    /// What a test was sealed under; nothing in tests of older programs.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn sealed_under(&self, test: &TestId) -> Result<Option<SealContext>, StoreError> {
        let sql = "SELECT context FROM test WHERE id = ?1 AND context IS NOT NULL";
        Ok(self.records(sql, [test.as_str()])?.pop())
    }

    /// Closes a test for good.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when it is closed already or given up.
    pub fn close_test(&mut self, id: &TestId, now: Timestamp) -> Result<(), StoreError> {
        self.close_test_with(id, None, now)
    }

    /// The same with the result that is frozen.
    ///
    /// # Errors
    /// As [`Session::close_test`].
    pub fn close_test_with(&mut self, id: &TestId, result: Option<&serde_json::Value>, now: Timestamp) -> Result<(), StoreError> {
        let mut test = self.test(id)?;
        if let Some(at) = test.closed_at {
            return Err(StoreError::NotAllowed { what: format!("{id} was closed at {at:.0} and stays so") });
        }
        test.closed_at = Some(now);
        let result = result.map(|r| self.raw(r)).transpose()?;
        let event = Event::TestClosed(self.kept(&test)?, result);
        self.commit(&event, now).map_err(|e| not_allowed(e, || format!("{id} was given up and stays so")))
    }

    /// The result as it was frozen when the test closed; nothing for an open test, or one that an older program closed.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn frozen_result(&self, test: &TestId) -> Result<Option<serde_json::Value>, StoreError> {
        Ok(self.records("SELECT result FROM test WHERE id = ?1 AND result IS NOT NULL", [test.as_str()])?.pop())
    }

    /// Gives up a sealed test that nobody answered.
    ///
    /// # Errors
    /// [`StoreError::NoSuch`]; [`StoreError::NotAllowed`] when it was answered, has an open trial, is closed or given up.
    pub fn withdraw_test(&mut self, id: &TestId, reason: &str, now: Timestamp) -> Result<(), StoreError> {
        self.test(id)?;
        let event = Event::TestWithdrawn(id.clone(), self.kept(&GivenUp { reason: reason.to_owned() })?);
        self.commit(&event, now).map_err(|e| {
            not_allowed(e, || format!("{id} cannot be given up: it was answered, has an open trial, or has ended already"))
        })
    }

    /// Why a test was given up, if it was.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn given_up(&self, test: &TestId) -> Result<Option<GivenUp>, StoreError> {
        Ok(self.records("SELECT given_up FROM test WHERE id = ?1 AND given_up IS NOT NULL", [test.as_str()])?.pop())
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
        let listener = self.kept(listener)?;
        self.commit(&Event::ListenerAdded(listener), now)
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
            let mut statement = self.connection().prepare_cached("SELECT test, record, id FROM trial ORDER BY seq")?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let (test, text, id) = (row.get_ref(0)?.as_str()?, row.get_ref(1)?.as_str()?, row.get_ref(2)?.as_str()?);
                // A record that was copied from another row is not this row's.
                if !text.strip_prefix("{\"id\":\"").and_then(|t| t.strip_prefix(id)).is_some_and(|t| t.starts_with('"')) {
                    return Ok(Err(format!("the record of trial {id} is another trial's")));
                }
                if let Err(what) = each(test, text) {
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
        if self.given_up(&trial.test)?.is_some() {
            return Err(StoreError::NotAllowed { what: format!("{} was given up", trial.test) });
        }
        let trial = self.kept(trial)?;
        self.commit(&Event::TrialOpened(trial), now)
    }

    /// Ends an open trial: pick, order and nonce in one transaction, or void. On disk when this returns.
    ///
    /// # Errors
    /// [`StoreError::NotAllowed`] when the trial is not open any more.
    pub fn end_trial(&mut self, trial: &TrialRecord, now: Timestamp) -> Result<(), StoreError> {
        let kept = self.kept(trial)?;
        let event = match trial.state {
            TrialState::Open => return Err(StoreError::NotAllowed { what: "a trial ends by a pick or void".to_owned() }),
            TrialState::Answered { .. } => Event::Picked(kept),
            TrialState::Void { .. } => Event::Voided(kept),
        };
        self.commit(&event, now).map_err(|e| not_allowed(e, || format!("trial {} is not open any more", trial.id)))
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
        let hash = Sha256Hex::of(fresh.as_bytes());
        self.commit_with(&Event::Invited(test.clone(), listener.clone(), Some(hash)), Secret::Code(fresh), now)?;
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
