//! How often a minute somebody may ask. What is remembered is bounded: codes are those of real invitations, and addresses that come when the
//! book is full share one line of it.

use std::collections::HashMap;
use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Lines in the book.
const COUNTERS: usize = 10_000;
/// What is counted is counted over so long.
const MINUTE: Duration = Duration::from_secs(60);

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum What {
    /// Keys to the engineer's pages that did not fit.
    WrongKey,
    /// Codes that are not invitations.
    WrongCode,
    /// Sounds that were fetched.
    Sound,
}

/// Who is counted.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Who {
    /// An address; of version 6 its network, which one household has whole.
    From(IpAddr),
    /// An invitation that was found.
    Invited(String),
    /// All that found no line of their own.
    Others,
}

/// Counters per minute, a bounded book of them.
#[derive(Debug)]
pub(crate) struct Book<K> {
    lines: HashMap<K, (Instant, u32)>,
    most_lines: usize,
    /// When lines of past minutes were last taken out.
    swept: Option<Instant>,
}

impl<K: Eq + Hash> Book<K> {
    /// An empty book of so many lines at most.
    pub(crate) fn of(most_lines: usize) -> Self {
        Self { lines: HashMap::new(), most_lines, swept: None }
    }

    /// True when there is room for one more line. A full book is looked through once a second at most, however many ask.
    fn has_room(&mut self, now: Instant) -> bool {
        if self.lines.len() >= self.most_lines && self.swept.is_none_or(|at| now.duration_since(at) >= Duration::from_secs(1)) {
            self.lines.retain(|_, (since, _)| now.duration_since(*since) < MINUTE);
            self.swept = Some(now);
        }
        self.lines.len() < self.most_lines
    }

    /// Counts one more on a line, or, where that is new and the book is full, on the one of all others; false when there were too many in this
    /// minute.
    pub(crate) fn count(&mut self, line: K, others: K, most: u32) -> bool {
        let now = Instant::now();
        let line = if self.lines.contains_key(&line) || self.has_room(now) { line } else { others };
        let counter = self.lines.entry(line).or_insert((now, 0));
        if now.duration_since(counter.0) >= MINUTE {
            *counter = (now, 0);
        }
        counter.1 = counter.1.saturating_add(1);
        counter.1 <= most
    }
}

/// An address as it is counted: a network of IPv6 has 64 bits of addresses (RFC 4291, 2.5.1), all of which are one place.
pub(crate) fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX))),
        v4 @ IpAddr::V4(_) => v4,
    }
}

/// Counters per minute.
#[derive(Debug)]
pub struct Limits(Mutex<Book<(What, Who)>>);

impl Default for Limits {
    fn default() -> Self {
        Self(Mutex::new(Book::of(COUNTERS)))
    }
}

impl Limits {
    /// Counts one more from an address; false when there were too many in this minute.
    pub fn from(&self, what: What, address: IpAddr, most: u32) -> bool {
        self.count(what, Who::From(network(address)), most)
    }

    /// Counts one more of an invitation that was looked up and found.
    pub fn invited(&self, what: What, code: &str, most: u32) -> bool {
        self.count(what, Who::Invited(code.to_owned()), most)
    }

    /// True when an address may go on; counts nothing.
    pub fn open(&self, what: What, address: IpAddr, most: u32) -> bool {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mine = all.lines.get(&(what, Who::From(network(address)))).or_else(|| all.lines.get(&(what, Who::Others)));
        mine.is_none_or(|(since, count)| since.elapsed() >= MINUTE || *count < most)
    }

    fn count(&self, what: What, who: Who, most: u32) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).count((what, who), (what, Who::Others), most)
    }

    /// Lines in the book, for a test of its bound.
    #[must_use]
    pub fn lines(&self) -> usize {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).lines.len()
    }
}
