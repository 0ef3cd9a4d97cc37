//! What an event does to the tables: the same code when it happens and when the log is replayed.

use super::event::{Event, GivenUp, Kept, SealContext, TakeChange, Unlogged};
use super::secret::Secret;
use crate::model::audio::Sha256Hex;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::montage::BlindMontage;
use crate::model::session::{Clip, MatchRun, Take};
use crate::model::trial::{SealedTest, TrialRecord};
use rusqlite::{Connection, Error, Params};
use serde_json::value::RawValue;

/// The key under which the session's id is a note.
pub(super) const SESSION_ID: &str = "session-id";

/// Exactly one row must be there to be changed.
fn one(tx: &Connection, sql: &str, params: impl Params) -> rusqlite::Result<()> {
    match tx.prepare_cached(sql)?.execute(params)? {
        1 => Ok(()),
        _ => Err(Error::QueryReturnedNoRows),
    }
}

/// Makes in the tables what the event tells.
///
/// # Errors
/// The database refuses; [`Error::QueryReturnedNoRows`] when what is to be changed is not there, or not in the state for it.
pub(super) fn apply(tx: &Connection, at: &str, event: &Event, secret: Secret<'_>) -> rusqlite::Result<()> {
    match event {
        Event::SessionBegun(id) => one(tx, "INSERT INTO note VALUES (?1, ?2)", (SESSION_ID, id.as_str())),
        Event::Noted(key, value) => {
            one(tx, "INSERT INTO note VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = ?2", (key, value))
        }
        Event::RigRead(rig) => {
            one(tx, "INSERT INTO rig VALUES (1, ?1) ON CONFLICT (one) DO UPDATE SET record = ?1", [rig.text()])
        }
        Event::TakesAdded(takes) => takes.iter().try_for_each(|take| add_take(tx, take)),
        Event::TakeChanged(change, take) => change_take(tx, change, take),
        Event::DiReplaced(id) => one(tx, "DELETE FROM take WHERE id = ?1 AND setup IS NULL", [id.as_str()]),
        Event::ClipsMade(run, clips) => add_run(tx, run, clips),
        Event::Metered(reading) => {
            let wiring = &reading.value().wiring;
            one(tx, "INSERT INTO meter (wiring, record) VALUES (?1, ?2)", (wiring, reading.text()))
        }
        Event::ListenerAdded(listener) => {
            let (code, simulated) = (listener.value().code.as_str(), listener.value().simulated);
            one(tx, "INSERT INTO listener VALUES (?1, ?2, ?3)", (code, simulated, listener.text()))
        }
        Event::TestSealed(test, context) => seal(tx, test, context.as_ref()),
        Event::TestWithdrawn(test, given_up) => give_up(tx, test, given_up),
        Event::TrialOpened(trial) => open(tx, trial),
        Event::Picked(trial) => end(tx, trial, "answered"),
        Event::Voided(trial) => end(tx, trial, "void"),
        Event::TestClosed(test, result) => close(tx, at, test, result.as_deref()),
        Event::Invited(test, listener, hash) => invite(tx, test, listener, hash.as_ref(), secret),
        Event::MontageMade(montage, nonce) => make_montage(tx, montage, nonce.as_ref(), secret),
        Event::MontageRevealed(montage) => {
            let id = montage.value().id.as_str();
            one(tx, "UPDATE montage SET record = ?2 WHERE id = ?1", (id, montage.text()))
        }
        Event::VotesCounted(montage, count) => {
            let name = montage.as_ref().map(|m| m.as_str());
            one(tx, "INSERT INTO vote_count (montage, record) VALUES (?1, ?2)", (name, count.text()))
        }
        Event::Migrated(unlogged) => learn(tx, unlogged),
        Event::Happened(..) | Event::Other(..) => Ok(()),
    }
}

fn add_take(tx: &Connection, kept: &Kept<Take>) -> rusqlite::Result<()> {
    let take = kept.value();
    one(
        tx,
        "INSERT INTO take SELECT ?1, coalesce (max (seq), 0) + 1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 FROM take",
        (
            take.id.as_str(),
            take.setup.as_ref().map(|s| s.as_str()),
            take.mic.as_str(),
            take.pass,
            take.sha256.as_str(),
            take.channel.map_or(-1, i64::from),
            take.withdrawn.is_some(),
            kept.text(),
        ),
    )
}

fn change_take(tx: &Connection, change: &TakeChange, kept: &Kept<Take>) -> rusqlite::Result<()> {
    let take = kept.value();
    let withdrawn = take.withdrawn.is_some();
    // A withdrawal is a withdrawal: an entry that says so of a take that stands is not one.
    if *change == TakeChange::Withdrawn && !withdrawn {
        return Err(Error::QueryReturnedNoRows);
    }
    one(
        tx,
        "UPDATE take SET setup = ?2, mic = ?3, pass = ?4, withdrawn = ?5, record = ?6 WHERE id = ?1",
        (take.id.as_str(), take.setup.as_ref().map(|s| s.as_str()), take.mic.as_str(), take.pass, withdrawn, kept.text()),
    )
}

fn add_run(tx: &Connection, run: &Kept<MatchRun>, clips: &[Kept<Clip>]) -> rusqlite::Result<()> {
    one(tx, "INSERT INTO match_run VALUES (?1, ?2)", (run.value().run, run.text()))?;
    clips.iter().try_for_each(|kept| {
        let clip = kept.value();
        one(
            tx,
            "INSERT INTO clip SELECT ?1, coalesce (max (seq), 0) + 1, ?2, ?3, ?4, ?5 FROM clip",
            (clip.id.as_str(), clip.run, clip.setup.as_str(), clip.take.as_str(), kept.text()),
        )
    })
}

fn seal(tx: &Connection, kept: &Kept<SealedTest>, context: Option<&Kept<SealContext>>) -> rusqlite::Result<()> {
    let test = kept.value();
    one(
        tx,
        "INSERT INTO test (id, seq, seal, canonical, closed_at, record, context, result, given_up) \
         SELECT ?1, coalesce (max (seq), 0) + 1, ?2, ?3, NULL, ?4, ?5, NULL, NULL FROM test",
        (test.plan.test.as_str(), test.seal.as_str(), &test.canonical, kept.text(), context.map(Kept::text)),
    )
}

fn give_up(tx: &Connection, test: &TestId, given_up: &Kept<GivenUp>) -> rusqlite::Result<()> {
    one(
        tx,
        "UPDATE test SET given_up = ?2 WHERE id = ?1 AND closed_at IS NULL AND given_up IS NULL \
         AND NOT EXISTS (SELECT 1 FROM trial WHERE test = ?1 AND state <> 'void')",
        (test.as_str(), given_up.text()),
    )
}

fn close(tx: &Connection, at: &str, kept: &Kept<SealedTest>, result: Option<&RawValue>) -> rusqlite::Result<()> {
    one(
        tx,
        "UPDATE test SET closed_at = ?2, record = ?3, result = ?4 WHERE id = ?1 AND closed_at IS NULL AND given_up IS NULL",
        (kept.value().plan.test.as_str(), at, kept.text(), result.map(RawValue::get)),
    )
}

fn open(tx: &Connection, kept: &Kept<TrialRecord>) -> rusqlite::Result<()> {
    let trial = kept.value();
    one(
        tx,
        "INSERT INTO trial SELECT ?1, coalesce (max (seq), 0) + 1, ?2, ?3, 'open', ?4, ?5 FROM trial",
        (trial.id.as_str(), trial.test.as_str(), trial.listener.as_str(), trial.commitment.as_str(), kept.text()),
    )
}

fn end(tx: &Connection, kept: &Kept<TrialRecord>, state: &str) -> rusqlite::Result<()> {
    let trial = kept.value();
    // Whose trial it is, of which test, under which commitment: all as it was opened.
    one(
        tx,
        "UPDATE trial SET state = ?2, record = ?3 WHERE id = ?1 AND state = 'open' AND test = ?4 AND listener = ?5 AND commitment = ?6",
        (trial.id.as_str(), state, kept.text(), trial.test.as_str(), trial.listener.as_str(), trial.commitment.as_str()),
    )
}

fn invite(
    tx: &Connection,
    test: &TestId,
    listener: &ListenerCode,
    hash: Option<&Sha256Hex>,
    secret: Secret<'_>,
) -> rusqlite::Result<()> {
    let unknown = format!("{test} {listener}");
    let code = match secret {
        Secret::Code(code) => code,
        _ => hash.map_or(unknown.as_str(), Sha256Hex::as_str),
    };
    one(tx, "INSERT INTO invitation VALUES (?1, ?2, ?3)", (code, test.as_str(), listener.as_str()))
}

fn make_montage(
    tx: &Connection,
    kept: &Kept<BlindMontage>,
    hash: Option<&Sha256Hex>,
    secret: Secret<'_>,
) -> rusqlite::Result<()> {
    let (nonce, key_text) = match secret {
        Secret::Key(key) => (key.nonce.as_str(), key.text.as_str()),
        _ => (hash.map_or("", Sha256Hex::as_str), ""),
    };
    let montage = kept.value();
    one(
        tx,
        "INSERT INTO montage SELECT ?1, coalesce (max (seq), 0) + 1, ?2, ?3, ?4, ?5 FROM montage",
        (montage.id.as_str(), montage.commitment.as_str(), nonce, key_text, kept.text()),
    )
}

/// In a replay the hashes that only the migration knew take their places; in the tables themselves the secrets are there already.
fn learn(tx: &Connection, unlogged: &Unlogged) -> rusqlite::Result<()> {
    for invitation in &unlogged.invitations {
        tx.execute(
            "UPDATE invitation SET code = ?1 WHERE code = ?2",
            (invitation.code_sha256.as_str(), format!("{} {}", invitation.test, invitation.listener)),
        )?;
    }
    for (id, nonce) in &unlogged.montages {
        // The trigger that guards nonces is lifted in a replay: see there.
        tx.execute("UPDATE montage SET nonce = ?2 WHERE id = ?1 AND nonce = ''", (id.as_str(), nonce.as_str()))?;
    }
    Ok(())
}
