//! How far the job under way is, for every page's event stream.

use tokio::sync::watch;

/// A step of a job.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Step {
    /// What is being done.
    pub(super) what: String,
    /// Steps done.
    pub(super) done: u64,
    /// Of so many.
    pub(super) total: u64,
}

/// The latest step.
pub(super) struct Steps(watch::Sender<Step>);

impl Default for Steps {
    fn default() -> Self {
        Self(watch::channel(Step::default()).0)
    }
}

impl Steps {
    pub(super) fn show(&self, step: Step) {
        self.0.send_replace(step);
    }

    pub(super) fn watch(&self) -> watch::Receiver<Step> {
        self.0.subscribe()
    }
}
