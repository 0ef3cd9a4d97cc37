//! SIGTERM and a closed terminal end the page like leaving does: the terminal is put back, the open trial is void, the store is intact.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Tells when the program was asked to end.
pub(crate) struct Watch(Arc<AtomicBool>);

impl Watch {
    /// True when it was.
    pub(crate) fn asked(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}

/// Begins to watch. Where signals cannot be watched, the system's own way of ending stays: the store is intact then too.
pub(crate) fn watch() -> Watch {
    let flag = Arc::new(AtomicBool::new(false));
    #[cfg(unix)]
    for signal in [signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
        let _ = signal_hook::flag::register(signal, Arc::clone(&flag));
    }
    std::thread::spawn(end_with_the_terminal);
    Watch(flag)
}

/// A closed terminal sends no signal to a program that does not lead its session, and waiting for its keys never returns: the program is
/// ended from here. The store is intact as after a power cut: the open trial is void at the next start.
#[expect(
    clippy::exit,
    reason = "the page's own thread hangs in the closed terminal; nothing is left to show and nothing unsaved"
)]
fn end_with_the_terminal() {
    use std::io::IsTerminal;
    while std::io::stdin().is_terminal() {
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    std::process::exit(1);
}
