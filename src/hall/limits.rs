//! How often a minute an address may ask. Addresses are kept as salted hashes, in memory, for a minute; the book is bounded.

use crate::model::failure::Failure;
use crate::web::limits::{Book, network};
use sha2::{Digest, Sha256};
use std::net::IpAddr;
use std::sync::{Mutex, PoisonError};

/// Lines in the book; addresses that come when it is full share one.
const LINES: usize = 50_000;

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

type Line = (What, [u8; 12]);

/// Counters per minute.
pub(super) struct Limits {
    salt: [u8; 32],
    book: Mutex<Book<Line>>,
}

impl Limits {
    /// An empty book with a salt of its own.
    pub(super) fn new() -> Result<Self, Failure> {
        Ok(Self { salt: crate::store::random::seed()?, book: Mutex::new(Book::of(LINES)) })
    }

    /// Counts one more; false when there were too many in this minute.
    pub(super) fn allow(&self, what: What, from: IpAddr, most: u32) -> bool {
        let hash = Sha256::new().chain_update(self.salt).chain_update(network(from).to_string()).finalize();
        let line = (what, std::array::from_fn(|i| hash[i]));
        self.book.lock().unwrap_or_else(PoisonError::into_inner).count(line, (what, [0; 12]), most)
    }
}
