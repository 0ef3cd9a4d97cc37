//! What every request of a replica may use. Nothing in it has to outlive the replica.

use super::HallError;
use super::database::Database;
use super::key::{HallKey, Id};
use super::limits::{Limits, What};
use super::metrics::Counters;
use super::visit::Published;
use crate::model::failure::Failure;
use std::collections::HashMap;
use std::net::IpAddr;
use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Sounds that were added are seen after so long at most.
const FRESH: Duration = Duration::from_secs(60);

/// Somebody who takes a line for the log: an event's name, and a number or a word that tells nothing of a person.
pub type Log = Arc<dyn Fn(&str, &str) + Send + Sync>;

/// A replica's house.
pub(super) struct House {
    pub(super) database: Database,
    pub(super) key: HallKey,
    pub(super) engineer: String,
    /// Scheme and authority that visitors see: `https://listen.example`.
    pub(super) public: String,
    /// Where sounds are: the beginning of their addresses.
    pub(super) sounds_at: String,
    /// The folder, where this replica serves sounds itself.
    pub(super) sound_folder: Option<PathBuf>,
    /// Requests of one address in a minute: many visitors may share one (a school, a phone network).
    pub(super) per_address: u32,
    /// Web servers on other machines whose word on a visitor's address is taken.
    pub(super) proxies: Vec<IpAddr>,
    pub(super) limits: Limits,
    pub(super) counters: Counters,
    pub(super) stop: Arc<AtomicBool>,
    pub(super) log: Log,
    tests: Mutex<HashMap<Id, (Instant, Arc<Published>)>>,
}

/// What a house is made of.
pub(super) struct Parts {
    pub(super) database: Database,
    pub(super) key: HallKey,
    pub(super) public: String,
    pub(super) sounds_at: String,
    pub(super) sound_folder: Option<PathBuf>,
    pub(super) per_address: u32,
    pub(super) proxies: Vec<IpAddr>,
    pub(super) stop: Arc<AtomicBool>,
    pub(super) log: Log,
}

impl House {
    /// Puts the parts together.
    pub(super) fn new(parts: Parts) -> Result<Arc<Self>, Failure> {
        let Parts { database, key, public, sounds_at, sound_folder, per_address, proxies, stop, log } = parts;
        Ok(Arc::new(Self {
            database,
            engineer: key.engineer(),
            key,
            public,
            sounds_at,
            sound_folder,
            per_address,
            proxies,
            limits: Limits::new()?,
            counters: Counters::default(),
            stop,
            log,
            tests: Mutex::new(HashMap::new()),
        }))
    }

    /// A published test, read when it is asked for and again when its sounds may have become more.
    pub(super) async fn published(&self, id: &Id) -> Result<Option<Arc<Published>>, Failure> {
        let known = self.tests.lock().unwrap_or_else(PoisonError::into_inner).get(id).cloned();
        if let Some((read, known)) = &known
            && read.elapsed() < FRESH
        {
            return Ok(Some(Arc::clone(known)));
        }
        match Published::read(&self.database, &self.key, id).await {
            Ok(Some(found)) => {
                let found = Arc::new(found);
                self.tests.lock().unwrap_or_else(PoisonError::into_inner).insert(*id, (Instant::now(), Arc::clone(&found)));
                Ok(Some(found))
            }
            Ok(None) => Ok(None),
            // What is known is good enough while the database is away: nothing of it changes.
            Err(error) => known.map(|(_, k)| Some(k)).ok_or(error),
        }
    }

    /// One more request of a kind from an address: false where there were too many in this minute.
    pub(super) fn allows(&self, what: What, from: Option<IpAddr>, most: u32) -> bool {
        from.is_none_or(|from| self.limits.allow(what, from, most))
    }

    /// Tells the log of something that went wrong.
    pub(super) fn tell(&self, error: &Failure) {
        (self.log)(error.explain().kind(), &error.to_string());
    }
}

/// True where trying again may do.
pub(super) fn passes(error: &Failure) -> bool {
    matches!(error.explain().kind(), "hall-database" | "hall-busy" | "hall-refused")
}

/// The refusal of an address that is no test of this hall.
pub(super) fn unknown() -> Failure {
    HallError::NotPublished("this address".to_owned()).into()
}
