//! Bytes from the operating system.

use super::error::JobError;
use crate::model::digest::hex;
use crate::model::explain::Fate;
use crate::trial::Generator;

/// 32 bytes from the operating system's generator. There is no fallback: without it nothing is drawn.
///
/// # Errors
/// When the operating system refuses.
pub fn seed() -> Result<[u8; 32], JobError> {
    let mut seed = [0; 32];
    getrandom::fill(&mut seed).map_err(|e| {
        JobError::plain(
            "no-randomness",
            Fate::Failed,
            format!("the operating system gives no random bytes: {e}"),
            "trials cannot be drawn without them; restart the computer or try another one",
        )
    })?;
    Ok(seed)
}

/// A generator for one use, seeded by the operating system.
///
/// # Errors
/// As [`seed`].
pub fn generator() -> Result<Generator, JobError> {
    Ok(Generator::from_seed(seed()?))
}

/// 32 random hexadecimal digits: 128 unguessable bits.
///
/// # Errors
/// As [`seed`].
pub fn code() -> Result<String, JobError> {
    Ok(hex(&seed()?[..16]))
}
