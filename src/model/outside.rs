//! Outside things behind traits, each with a working stand-in: the clock, and somebody who watches progress.

use jiff::Timestamp;

/// The time of day, handed in.
pub trait Clock: Send + Sync {
    /// Now.
    fn now(&self) -> Timestamp;
}

/// The computer's clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}

/// A clock that stands still: for tests and for reports that must come out byte-equal.
#[derive(Debug, Clone, Copy)]
pub struct StoppedClock(pub Timestamp);

impl Clock for StoppedClock {
    fn now(&self) -> Timestamp {
        self.0
    }
}

/// Somebody who watches long work.
pub trait Progress: Send + Sync {
    /// `done` of `total` steps of `what` are through. May be called from several threads, often.
    fn step(&self, what: &str, done: u64, total: u64);

    /// True when the engineer wants it to end: work that can be given up looks here, and leaves nothing behind.
    fn stopped(&self) -> bool {
        false
    }
}

/// Nobody watches.
#[derive(Debug, Clone, Copy, Default)]
pub struct Unwatched;

impl Progress for Unwatched {
    fn step(&self, _what: &str, _done: u64, _total: u64) {}
}
