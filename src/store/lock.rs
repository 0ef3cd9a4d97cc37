//! The locks of a session folder: one for who writes, one for who records.

use super::error::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

/// Held by the one who may write. Released when it is dropped; by the system when the process ends, however it ends.
pub(super) struct WritersLock(File);

impl WritersLock {
    /// Takes the lock, or says at once that another process has it.
    pub(super) fn take(folder: &Path) -> Result<Self, StoreError> {
        held(folder, "session.lock", || StoreError::Locked { folder: folder.to_owned() }).map(Self)
    }
}

/// Held by the one sitting that records into a session; others may write to it meanwhile.
pub struct RecordersLock(File);

impl RecordersLock {
    /// Takes the lock, or says at once that a recording is under way.
    pub(super) fn take(folder: &Path) -> Result<Self, StoreError> {
        held(folder, "recording.lock", || StoreError::Recording { folder: folder.to_owned() }).map(Self)
    }
}

impl Drop for RecordersLock {
    fn drop(&mut self) {
        // As with the writers' lock.
        let _ = self.0.unlock();
    }
}

fn held(folder: &Path, name: &str, taken: impl FnOnce() -> StoreError) -> Result<File, StoreError> {
    let path = folder.join(name);
    let failed = |doing, source| StoreError::File { path: path.clone(), doing, source };
    let file = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(|e| failed("opening the lock file", e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(taken()),
        Err(TryLockError::Error(source)) => Err(StoreError::NoLocks { folder: folder.to_owned(), source }),
    }
}

impl Drop for WritersLock {
    fn drop(&mut self) {
        // Closing the file would not do: a program that is just being started by this process has a duplicate of it until it runs, and the
        // lock lives as long as any duplicate. Unlocking one of them unlocks all (flock(2)). Where it fails the closing remains.
        let _ = self.0.unlock();
    }
}
