//! What is held for sounds on their way, bounded.

use std::sync::Arc;
use tokio::sync::Semaphore;

/// So many are coded at once: the rest of the machine is for answers.
const CODED_AT_ONCE: usize = 2;
/// KiB of FLAC that may be on their way at once.
pub(super) const HELD: u32 = 96 * 1024;

/// Turns at the coder, and room for what it made.
pub(super) struct Counter {
    pub(super) held: Arc<Semaphore>,
    pub(super) coding: Semaphore,
}

impl Default for Counter {
    fn default() -> Self {
        Self { held: Arc::new(Semaphore::new(HELD as usize)), coding: Semaphore::new(CODED_AT_ONCE) }
    }
}
