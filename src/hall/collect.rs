//! `hall collect`: what an audience answered comes home, every order opened, as one file whose hash becomes an event of the session.

use super::database::Database;
use super::error::HallError;
use super::key::{HallKey, Id};
use super::records::{self, TrialRow};
use super::visit::{belongs_to, check_key, listener};
use super::waited;
use crate::model::audio::Sha256Hex;
use crate::model::digest::hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{TestId, TrialId};
use crate::model::outside::Clock;
use crate::model::trial::{Plan, SealedTest, TrialRecord, TrialState};
use crate::sound::write::give_name;
use crate::store::Session;
use crate::store::event::Happening;
use crate::verdict::audience::{Collected, FORMAT, Header};
use jiff::Timestamp;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// The document of `hall collect`.
#[derive(Debug, Clone, Serialize)]
pub struct CollectedDoc {
    /// The test.
    pub test: TestId,
    /// What was collected.
    #[serde(flatten)]
    pub collected: Collected,
    /// True where the very same was collected before.
    pub again: bool,
}

/// A file on its way: written and hashed line by line.
struct Writing {
    out: BufWriter<File>,
    hash: Sha256,
    part: PathBuf,
    visitors: BTreeSet<Id>,
    trials: u64,
    picks: u64,
}

fn cannot_write(path: &Path, e: &std::io::Error) -> Failure {
    let message = format!("{} cannot be written: {e}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "make room, and collect again: nothing is lost")
}

impl Writing {
    fn begin(part: PathBuf) -> Result<Self, Failure> {
        let file = File::create(&part).map_err(|e| cannot_write(&part, &e))?;
        Ok(Self { out: BufWriter::new(file), hash: Sha256::new(), part, visitors: BTreeSet::new(), trials: 0, picks: 0 })
    }

    fn line(&mut self, what: &impl Serialize) -> Result<(), Failure> {
        let mut text = serde_json::to_string(what).map_err(|e| HallError::Refused(format!("a trial cannot be written: {e}")))?;
        text.push('\n');
        self.hash.update(&text);
        self.out.write_all(text.as_bytes()).map_err(|e| cannot_write(&self.part, &e))
    }

    fn end(mut self) -> Result<(PathBuf, Sha256Hex, u64, u64, u64), Failure> {
        let synced = self.out.flush().and_then(|()| self.out.get_ref().sync_all());
        synced.map_err(|e| cannot_write(&self.part, &e))?;
        let visitors = self.visitors.len() as u64;
        Ok((self.part, Sha256Hex::from_bytes(&self.hash.finalize()), visitors, self.trials, self.picks))
    }
}

/// Collects a closed test.
///
/// # Errors
/// It is open, not published, or of another key; the file cannot be written; another one was collected before.
pub fn collect(folder: &Path, test: &TestId, url: &str, key: Option<&Path>, clock: &dyn Clock) -> Result<CollectedDoc, Failure> {
    let mut session = Session::open_write(folder, clock.now())?;
    let sealed = session.test(test)?;
    let key = HallKey::read(key)?;
    let reports = session.folder().join("reports");
    std::fs::create_dir_all(&reports).map_err(|e| cannot_write(&reports, &e))?;
    let part = reports.join(format!(".audience-{test}.part"));
    let (hall, closed_at, written) = waited(fetch(&sealed, url, &key, part))?;
    let (part, sha256, visitors, trials, picks) = written;
    let relative = format!("reports/audience-{}.jsonl", &hex(&hall)[..16]);
    let path = session.absolute(&relative);
    let again = path.exists();
    if again {
        let _ = std::fs::remove_file(&part);
        let found = File::open(&path).and_then(Sha256Hex::of_reader).map_err(|e| cannot_write(&path, &e))?;
        if found != sha256 {
            return Err(HallError::Collected(test.to_string()).into());
        }
    } else {
        give_name(&part, &path)?;
        let _ = std::fs::remove_file(&part);
    }
    let collected = Collected { hall: hex(&hall), file: relative, sha256, visitors, trials, picks, closed_at };
    if !crate::verdict::audience::collected(&session)?.iter().any(|(t, c)| t == test && c == &collected) {
        session.happened(Happening::HallCollected, test.as_str(), &collected, clock.now())?;
    }
    Ok(CollectedDoc { test: test.clone(), collected, again })
}

type Written = (PathBuf, Sha256Hex, u64, u64, u64);

async fn fetch(sealed: &SealedTest, url: &str, key: &HallKey, part: PathBuf) -> Result<(Id, Timestamp, Written), Failure> {
    let test = &sealed.plan.test;
    let database = Database::at(url, 1)?;
    database.migrate().await?;
    let client = database.client().await?;
    let row = records::test_of_seal(&client, sealed.seal.as_str()).await?;
    let row = row.ok_or_else(|| HallError::NotPublished(test.to_string()))?;
    check_key(&row, key)?;
    if !records::gate(&client, &row.test).await?.closed {
        return Err(HallError::Open(test.to_string()).into());
    }
    let closed_at = records::close(&client, &row.test).await?;
    let mut file = Writing::begin(part)?;
    file.line(&Header {
        format: FORMAT.to_owned(),
        session_id: row.session_id.clone(),
        test: test.clone(),
        hall: hex(&row.test),
        seal: sealed.seal.clone(),
        closed_at,
    })?;
    records::each_trial(&client, &row.test, &mut |trial| {
        file.visitors.insert(trial.visitor);
        file.trials += 1;
        file.picks += u64::from(trial.pick.is_some());
        file.line(&opened(&sealed.plan, key, &row.test, trial)?)
    })
    .await?;
    Ok((row.test, closed_at, file.end()?))
}

/// A trial as the session keeps trials: answered with its order and nonce, or open, its order never opened.
fn opened(plan: &Plan, key: &HallKey, test: &Id, row: TrialRow) -> Result<TrialRecord, Failure> {
    let state = match row.pick {
        None => TrialState::Open,
        Some(pick) => {
            let place = belongs_to(test, &row.trial, &row.visitor);
            let (hidden, _) = key.orders().unlock(plan, &row.sealed, &place)?;
            let opened = hidden.open(&pick.answer);
            TrialState::Answered {
                answer: pick.answer,
                order: opened.order,
                nonce: opened.nonce,
                right: opened.right,
                at: pick.at,
                heard: pick.heard,
            }
        }
    };
    Ok(TrialRecord {
        id: TrialId::new(&hex(&row.trial))?,
        test: plan.test.clone(),
        listener: listener(&row.visitor)?,
        number: u32::try_from(row.number).unwrap_or(0),
        commitment: Sha256Hex::from_bytes(&row.commitment),
        opened_at: row.opened_at,
        played: "visitor's browser".to_owned(),
        practice: false,
        state,
    })
}
