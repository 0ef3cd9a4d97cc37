//! SHA-256 digests and hexadecimal digits.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A SHA-256 digest, printed as 64 lower-case hexadecimal digits.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Sha256Hex(String);

/// A text that is no SHA-256.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{given:?} is not a SHA-256: wanted 64 lower-case hexadecimal digits")]
pub struct DigestError {
    /// What was given.
    pub given: String,
}

const DIGITS: &[u8; 16] = b"0123456789abcdef";

/// Bytes as hexadecimal digits, small letters.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    // A chain of millions of hashes is walked through here: the formatting machinery takes four times as long.
    let mut text = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        text.push(char::from(DIGITS[usize::from(byte >> 4)]));
        text.push(char::from(DIGITS[usize::from(byte & 15)]));
    }
    text
}

/// Bytes of hexadecimal digits; nothing for anything else.
#[must_use]
pub fn unhex(text: &str) -> Option<Vec<u8>> {
    let digits = text.as_bytes();
    let mut bytes = vec![0; digits.len() / 2];
    unhex_into(digits, &mut bytes).then_some(bytes)
}

/// The value of each character as a hexadecimal digit; 255 for what is none.
const VALUES: [u8; 256] = {
    let mut values = [255; 256];
    let mut digit = 0;
    while digit < 16 {
        values[DIGITS[digit] as usize] = digit as u8;
        values[DIGITS[digit].to_ascii_uppercase() as usize] = digit as u8;
        digit += 1;
    }
    values
};

/// Reads so many bytes of hexadecimal digits; false where there are more, fewer, or other characters.
pub(crate) fn unhex_into(digits: &[u8], bytes: &mut [u8]) -> bool {
    if digits.len() != 2 * bytes.len() {
        return false;
    }
    // Without a way out in between, for it is done a million times: a character that is no digit shows in the upper half.
    let mut all = 0;
    for (pair, byte) in digits.chunks_exact(2).zip(bytes) {
        let (high, low) = (VALUES[usize::from(pair[0])], VALUES[usize::from(pair[1])]);
        all |= high | low;
        *byte = high << 4 | low & 15;
    }
    all < 16
}

/// True when the text is these bytes in hexadecimal digits, small letters.
pub(crate) fn is_hex_of(text: &[u8], bytes: &[u8]) -> bool {
    if text.len() != 2 * bytes.len() {
        return false;
    }
    let mut difference = 0;
    for (pair, byte) in text.chunks_exact(2).zip(bytes) {
        difference |= pair[0] ^ DIGITS[usize::from(byte >> 4)] | pair[1] ^ DIGITS[usize::from(byte & 15)];
    }
    difference == 0
}

impl Sha256Hex {
    /// Hashes bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        use sha2::Digest;
        Self::from_bytes(&sha2::Sha256::digest(bytes))
    }

    /// Hashes everything that a reader gives.
    ///
    /// # Errors
    /// What the reader says.
    pub fn of_reader(mut reader: impl std::io::Read) -> std::io::Result<Self> {
        use sha2::Digest;
        let (mut digest, mut buffer) = (sha2::Sha256::new(), vec![0; 1 << 18]);
        loop {
            match reader.read(&mut buffer)? {
                0 => return Ok(Self::from_bytes(&digest.finalize())),
                n => digest.update(&buffer[..n]),
            }
        }
    }

    /// Takes a finished digest.
    #[must_use]
    pub fn from_bytes(digest: &[u8]) -> Self {
        Self(hex(digest))
    }

    /// Reads 64 hexadecimal digits.
    ///
    /// # Errors
    /// [`DigestError`] for anything else.
    pub fn parse(text: &str) -> Result<Self, DigestError> {
        let fits = text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        if fits { Ok(Self(text.to_owned())) } else { Err(DigestError { given: text.to_owned() }) }
    }

    /// The digits.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Sha256Hex {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl TryFrom<String> for Sha256Hex {
    type Error = DigestError;
    fn try_from(text: String) -> Result<Self, DigestError> {
        Self::parse(&text)
    }
}

impl From<Sha256Hex> for String {
    fn from(digest: Sha256Hex) -> String {
        digest.0
    }
}
