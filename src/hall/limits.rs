//! How often a minute an address may ask. Addresses are kept as salted hashes, in memory, for a minute; the book is bounded.

use crate::model::failure::Failure;
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Lines in the book; addresses that come when it is full share one.
const LINES: usize = 50_000;
const MINUTE: Duration = Duration::from_secs(60);

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum What {
    /// Every request.
    Request,
    /// Visitors without a place.
    NewPlace,
    /// Wrong keys to the engineer's page.
    WrongKey,
}

/// A network of IPv6 has 64 bits of addresses (RFC 4291, 2.5.1): all of it is one place.
fn place(from: IpAddr) -> IpAddr {
    match from.to_canonical() {
        IpAddr::V4(four) => four.into(),
        IpAddr::V6(six) => Ipv6Addr::from_bits(six.to_bits() >> 64 << 64).into(),
    }
}

type Line = (What, [u8; 12]);

/// Counters per minute.
pub(super) struct Limits {
    salt: [u8; 32],
    book: Mutex<HashMap<Line, (Instant, u32)>>,
}

impl Limits {
    /// An empty book with a salt of its own.
    pub(super) fn new() -> Result<Self, Failure> {
        Ok(Self { salt: crate::store::random::seed()?, book: Mutex::default() })
    }

    /// Counts one more; false when there were too many in this minute.
    pub(super) fn allow(&self, what: What, from: IpAddr, most: u32) -> bool {
        let hash = Sha256::new().chain_update(self.salt).chain_update(place(from).to_string()).finalize();
        let now = Instant::now();
        let mut book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        if book.len() >= LINES {
            book.retain(|_, (since, _)| now.duration_since(*since) < MINUTE);
        }
        let mut line: Line = (what, std::array::from_fn(|i| hash[i]));
        if book.len() >= LINES && !book.contains_key(&line) {
            line.1 = [0; 12];
        }
        let counter = book.entry(line).or_insert((now, 0));
        if now.duration_since(counter.0) >= MINUTE {
            *counter = (now, 0);
        }
        counter.1 += 1;
        counter.1 <= most
    }
}
