//! What somebody outside can vouch for: fingerprints to publish, listeners' receipts, time stamps. Whoever owns a session's folder can write
//! all of it anew; what lies elsewhere cannot be written anew with it.
//!
//! * [`fingerprint`]: a short line to publish, and finding it again in a chain
//! * [`receipt`]: what a listener keeps of their own trials, held against the log
//! * [`timestamp`](mod@timestamp): RFC 3161 time stamps over the head of a chain

#[cfg(feature = "timestamps")]
mod certificates;
pub mod fingerprint;
pub mod receipt;
#[cfg(feature = "timestamps")]
mod signature;
#[cfg(feature = "timestamps")]
pub mod stamp_error;
#[cfg(feature = "timestamps")]
pub mod timestamp;
