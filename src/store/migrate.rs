//! Bringing a file up to the newest schema: numbered SQL files, applied in order in one transaction.

use super::error::StoreError;
use super::event::{Event, InvitationBody, Unlogged};
use super::secret::Secret;
use super::versions::{APPLICATION_ID, EVENTS, MIGRATIONS, newest, version};
use super::{apply, log, random};
use crate::model::audio::Sha256Hex;
use crate::model::digest::hex;
use crate::model::ids::{ListenerCode, MontageId, SessionId, TestId};
use jiff::Timestamp;
use rusqlite::Connection;
use std::path::PathBuf;

/// A session's id, drawn.
pub(super) fn fresh_id() -> Result<SessionId, StoreError> {
    let bytes = random::bytes().map_err(|source| StoreError::NoRandomness { source })?;
    SessionId::new(&hex(&bytes[..16])).map_err(|e| StoreError::NotAllowed { what: e.to_string() })
}

/// Brings an open file up to the newest schema, in one transaction. A file that held an older schema is copied first, beside it, under
/// `backup`; a copy that is there already (of a try that was cut off) stays.
pub(super) fn apply(
    connection: &mut Connection,
    backup: &dyn Fn(i64) -> PathBuf,
    id: &SessionId,
    now: Timestamp,
) -> rusqlite::Result<()> {
    let found = version(connection)?;
    let done = usize::try_from(found).unwrap_or(0);
    if done >= MIGRATIONS.len() {
        return Ok(());
    }
    let copy = backup(found);
    if done > 0 && !copy.exists() {
        let part = copy.with_extension("part");
        let _ = std::fs::remove_file(&part); // of a try that was cut off
        connection.execute("VACUUM INTO ?1", [part.to_string_lossy().as_ref()])?;
        super::files::make_private(&part).and_then(|()| super::files::give_name(&part, &copy)).map_err(other)?;
    }
    // A table that others refer to is made anew: the references hold again at the end, which is looked at.
    connection.pragma_update(None, "foreign_keys", "OFF")?;
    let transaction = connection.transaction()?;
    for sql in &MIGRATIONS[done..] {
        transaction.execute_batch(sql)?;
    }
    if (1..EVENTS).contains(&found) {
        tell_unlogged(&transaction, found, id, now)?;
    }
    transaction.pragma_update(None, "user_version", newest())?;
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.commit()?;
    connection.pragma_update(None, "foreign_keys", "ON")
}

fn other(error: StoreError) -> rusqlite::Error {
    rusqlite::Error::ToSqlConversionFailure(Box::new(error))
}

/// What the log of an older session does not tell: an id is drawn, and of codes and nonces the hashes are logged.
pub(super) fn tell_unlogged(tx: &Connection, from: i64, id: &SessionId, now: Timestamp) -> rusqlite::Result<()> {
    let bad = |e: crate::model::ids::NameError| rusqlite::Error::ToSqlConversionFailure(Box::new(e));
    let mut unlogged = Unlogged { from, ..Unlogged::default() };
    let mut statement = tx.prepare("SELECT code, test, listener FROM invitation ORDER BY rowid")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let text = |column| -> rusqlite::Result<&str> { Ok(row.get_ref(column)?.as_str()?) };
        unlogged.invitations.push(InvitationBody {
            code_sha256: Sha256Hex::of(text(0)?.as_bytes()),
            test: TestId::new(text(1)?).map_err(bad)?,
            listener: ListenerCode::new(text(2)?).map_err(bad)?,
        });
    }
    let mut statement = tx.prepare("SELECT id, nonce FROM montage ORDER BY seq")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let (montage, nonce): (String, String) = (row.get(0)?, row.get(1)?);
        unlogged.montages.push((MontageId::new(&montage).map_err(bad)?, Sha256Hex::of(nonce.as_bytes())));
    }
    let at = now.to_string();
    for event in [Event::SessionBegun(id.clone()), Event::Migrated(unlogged)] {
        let parts = event.parts().map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?;
        apply::apply(tx, &at, &event, Secret::None)?;
        log::append(tx, &at, &parts)?;
    }
    Ok(())
}
