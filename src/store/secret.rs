//! What is kept beside the log and never written into it.

/// A key as it is kept: nonce (hexadecimal) and canonical text. It has no `Debug`: it must not be printed by accident.
pub struct KeptKey {
    /// The nonce.
    pub nonce: String,
    /// The canonical text of the key.
    pub text: String,
}

/// What an event leaves out of the log. A replay has none: hashes stand in their places then, and are compared as hashes.
#[derive(Clone, Copy)]
pub(super) enum Secret<'a> {
    None,
    Code(&'a str),
    Key(&'a KeptKey),
}
