//! Bytes from the operating system.

use crate::model::digest::hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;

/// 32 bytes from the operating system's generator. There is no fallback: without it nothing is drawn.
///
/// # Errors
/// When the operating system refuses.
pub fn seed() -> Result<[u8; 32], Failure> {
    bytes().map_err(|e| {
        Failure::plain(
            "no-randomness",
            Fate::Failed,
            format!("the operating system gives no random bytes: {e}"),
            "trials cannot be drawn without them; restart the computer or try another one",
        )
    })
}

/// The same for this room.
pub(super) fn bytes() -> Result<[u8; 32], getrandom::Error> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)?;
    Ok(bytes)
}

/// 32 random hexadecimal digits: 128 unguessable bits.
///
/// # Errors
/// As [`seed`].
pub fn code() -> Result<String, Failure> {
    Ok(hex(&seed()?[..16]))
}
