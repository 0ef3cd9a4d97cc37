//! SIGTERM and a closed terminal end the page like leaving does: the terminal is put back, the open trial is void, the store is intact.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Tells when the program was asked to end.
pub(super) struct Watch(Arc<AtomicBool>);

impl Watch {
    /// True when it was.
    pub(super) fn asked(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}

/// Begins to watch. Where signals cannot be watched, the system's own way of ending stays: the store is intact then too.
pub(super) fn watch() -> Watch {
    let flag = Arc::new(AtomicBool::new(false));
    #[cfg(unix)]
    for signal in [signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        let _ = signal_hook::flag::register(signal, Arc::clone(&flag));
    }
    Watch(flag)
}
