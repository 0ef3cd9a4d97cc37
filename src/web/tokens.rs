//! Tokens of the engineer's browsers: each comes in by the key once and gets one of its own. The key itself is in no cookie.

use crate::model::failure::Failure;
use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

/// Browsers that are remembered; the one that came first is forgotten first, and uses the link again.
const BROWSERS: usize = 64;

/// The tokens that are valid now: those of this start.
#[derive(Default)]
pub(super) struct Tokens(Mutex<VecDeque<String>>);

impl Tokens {
    /// A fresh one.
    pub(super) fn issue(&self) -> Result<String, Failure> {
        let token = crate::testing::desk::new_key()?;
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if all.len() >= BROWSERS {
            all.pop_front();
        }
        all.push_back(token.clone());
        Ok(token)
    }

    /// Whether one is valid; all are compared, so that the time says nothing.
    pub(super) fn holds(&self, given: &str) -> bool {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter().fold(false, |found, token| found | same(token, given))
    }
}

/// Compares without telling by its time how much of it was right.
pub(super) fn same(a: &str, b: &str) -> bool {
    a.len() == b.len() && a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y)) == 0
}
