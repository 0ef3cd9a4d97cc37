//! Counters, as Prometheus reads them (text exposition format 0.0.4). They tell how many, never of whom, and nothing of right and wrong.

use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// Upper ends of the buckets of a pick's time, in seconds.
const BUCKETS: [f64; 9] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.1, 0.5, 2.0, 10.0];

/// What a replica counts.
#[derive(Debug, Default)]
pub(super) struct Counters {
    pub(super) opened: AtomicU64,
    pub(super) picks: AtomicU64,
    pub(super) not_heard: AtomicU64,
    pub(super) late: AtomicU64,
    pub(super) busy: AtomicU64,
    pub(super) limited: AtomicU64,
    pub(super) forged: AtomicU64,
    by_class: [AtomicU64; 6],
    took: [AtomicU64; BUCKETS.len() + 1],
    took_micros: AtomicU64,
}

/// One more.
pub(super) fn one(counter: &AtomicU64) {
    counter.fetch_add(1, Ordering::Relaxed);
}

fn read(counter: &AtomicU64) -> u64 {
    counter.load(Ordering::Relaxed)
}

impl Counters {
    /// An answer with that status went out.
    pub(super) fn answered(&self, status: u16) {
        if let Some(class) = self.by_class.get(usize::from(status / 100)) {
            one(class);
        }
    }

    /// A pick was acknowledged after so long.
    pub(super) fn picked(&self, took: Duration) {
        one(&self.picks);
        let place = BUCKETS.iter().position(|b| took.as_secs_f64() <= *b).unwrap_or(BUCKETS.len());
        one(&self.took[place]);
        self.took_micros.fetch_add(u64::try_from(took.as_micros()).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    /// All of them as text.
    pub(super) fn text(&self, (used, most): (usize, usize)) -> String {
        let mut out = String::new();
        let mut counter = |name: &str, help: &str, value: u64| {
            // Writing to a String cannot fail.
            let _ = write!(out, "# HELP hall_{name} {help}\n# TYPE hall_{name} counter\nhall_{name} {value}\n");
        };
        counter("trials_opened_total", "Trials opened by this replica.", read(&self.opened));
        counter("picks_total", "Picks acknowledged by this replica.", read(&self.picks));
        counter("picks_not_heard_total", "Picks refused because not every sample was heard.", read(&self.not_heard));
        counter("picks_late_total", "Picks refused because the trial was answered or the test closed.", read(&self.late));
        counter("busy_total", "Requests sent away because the database did not answer in time.", read(&self.busy));
        counter("limited_total", "Requests sent away because one place asked too often.", read(&self.limited));
        counter("codes_forged_total", "Visitors' codes that this hall never gave out.", read(&self.forged));
        out.push_str("# HELP hall_answers_total Answers by class of status.\n# TYPE hall_answers_total counter\n");
        for (class, count) in self.by_class.iter().enumerate().skip(1) {
            let _ = writeln!(out, "hall_answers_total{{class=\"{class}xx\"}} {}", read(count));
        }
        let _ = write!(out, "# HELP hall_connections Connections to the database.\n# TYPE hall_connections gauge\n");
        let _ = write!(out, "hall_connections{{state=\"used\"}} {used}\nhall_connections{{state=\"most\"}} {most}\n");
        out.push_str("# HELP hall_pick_seconds Time until a pick was acknowledged.\n# TYPE hall_pick_seconds histogram\n");
        let mut sum = 0;
        for (count, end) in self.took.iter().zip(BUCKETS.iter().map(ToString::to_string).chain(["+Inf".to_owned()])) {
            sum += read(count);
            let _ = writeln!(out, "hall_pick_seconds_bucket{{le=\"{end}\"}} {sum}");
        }
        let _ = writeln!(out, "hall_pick_seconds_sum {}", read(&self.took_micros) as f64 / 1e6);
        let _ = writeln!(out, "hall_pick_seconds_count {sum}");
        out
    }
}
