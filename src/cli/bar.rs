//! How far a long piece of work is, on standard error.

use crate::model::outside::Progress;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// A progress bar that appears only when the work takes longer than half a second.
pub(crate) struct Bar {
    visible: bool,
    since: Instant,
    bar: Mutex<Option<ProgressBar>>,
    stop: Arc<AtomicBool>,
}

impl Bar {
    pub(crate) fn new(visible: bool, stop: Arc<AtomicBool>) -> Self {
        Self { visible, since: Instant::now(), bar: Mutex::new(None), stop }
    }
}

impl Progress for Bar {
    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Acquire)
    }

    fn step(&self, what: &str, done: u64, total: u64) {
        if !self.visible || self.since.elapsed() < Duration::from_millis(500) {
            return;
        }
        let mut slot = self.bar.lock().unwrap_or_else(PoisonError::into_inner);
        let bar = slot.get_or_insert_with(|| {
            let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr());
            if let Ok(style) = ProgressStyle::with_template("{msg:28} {wide_bar} {percent:>3} %  {eta} left") {
                bar.set_style(style);
            }
            bar
        });
        bar.set_length(total);
        bar.set_message(what.to_owned());
        bar.set_position(done);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some(bar) = self.bar.lock().unwrap_or_else(PoisonError::into_inner).take() {
            bar.finish_and_clear();
        }
    }
}
