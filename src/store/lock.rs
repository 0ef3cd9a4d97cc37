//! The writers' lock of a session folder.

use super::error::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

/// Held by the one who may write. Released when it is dropped; by the system when the process ends, however it ends.
pub(super) struct WritersLock(File);

impl WritersLock {
    /// Takes the lock, or says at once that another process has it.
    pub(super) fn take(folder: &Path) -> Result<Self, StoreError> {
        let path = folder.join("session.lock");
        let failed = |doing, source| StoreError::File { path: path.clone(), doing, source };
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|e| failed("opening the lock file", e))?;
        match file.try_lock() {
            Ok(()) => Ok(Self(file)),
            Err(TryLockError::WouldBlock) => Err(StoreError::Locked { folder: folder.to_owned() }),
            Err(TryLockError::Error(source)) => Err(StoreError::NoLocks { folder: folder.to_owned(), source }),
        }
    }
}

impl Drop for WritersLock {
    fn drop(&mut self) {
        // Closing the file would not do: a program that is just being started by this process has a duplicate of it until it runs, and the
        // lock lives as long as any duplicate. Unlocking one of them unlocks all (flock(2)). Where it fails the closing remains.
        let _ = self.0.unlock();
    }
}
