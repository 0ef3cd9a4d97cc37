//! The hall's key: from it come the encryption of orders, the codes that visitors carry, and the engineer's key.

use super::HallError;
use crate::model::digest::{hex, unhex};
use crate::model::failure::Failure;
use crate::store::random;
use crate::trial::locked::{OrderKey, SoundName};
use std::io::Write;
use std::path::Path;
use zeroize::Zeroize;

/// The key, where no file is named.
pub const ENV_KEY: &str = "CABJURY_HALL_KEY";
/// The database's address, where none is given.
pub const ENV_DATABASE: &str = "CABJURY_HALL_DATABASE";

/// 16 random bytes, or the first 16 of a hash.
pub(super) type Id = SoundName;

/// The key. It has no `Debug`: nothing of it is ever printed.
pub struct HallKey {
    orders: OrderKey,
}

fn parsed(mut text: String, from: &str) -> Result<HallKey, Failure> {
    let bytes = unhex(text.trim()).and_then(|b| <[u8; 32]>::try_from(b).ok());
    text.zeroize();
    let mut bytes = bytes.ok_or_else(|| HallError::NoKey(format!("{from} does not hold 64 hexadecimal digits")))?;
    Ok(HallKey { orders: OrderKey::new(&mut bytes) })
}

impl HallKey {
    /// Reads it from a file, else from the environment.
    ///
    /// # Errors
    /// [`HallError::NoKey`].
    pub fn read(file: Option<&Path>) -> Result<Self, Failure> {
        match file {
            Some(path) => {
                let text = std::fs::read_to_string(path).map_err(|e| HallError::NoKey(format!("{}: {e}", path.display())))?;
                parsed(text, &path.display().to_string())
            }
            None => match std::env::var(ENV_KEY) {
                Ok(text) => parsed(text, ENV_KEY),
                Err(_) => Err(HallError::NoKey("neither a file nor the environment has it".to_owned()).into()),
            },
        }
    }

    /// Reads it, or draws one and writes it into the file, readable by its owner alone. True when it is new.
    ///
    /// # Errors
    /// As [`HallKey::read`]; the file cannot be written.
    pub fn read_or_make(file: Option<&Path>) -> Result<(Self, bool), Failure> {
        let Some(path) = file.filter(|p| !p.exists()) else { return Ok((Self::read(file)?, false)) };
        let mut options = std::fs::OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut seed = random::seed()?;
        let mut text = format!("{}\n", hex(&seed));
        seed.zeroize();
        let written = options.open(path).and_then(|mut f| f.write_all(text.as_bytes()).and_then(|()| f.sync_all()));
        text.zeroize();
        written.map_err(|e| HallError::NoKey(format!("{}: {e}", path.display())))?;
        Ok((Self::read(file)?, true))
    }

    /// The key of orders.
    pub(super) fn orders(&self) -> &OrderKey {
        &self.orders
    }

    /// A fresh code for a browser: 128 random bits, and as many that only who has the key can add.
    pub(super) fn new_code(&self, test: &Id) -> Result<String, Failure> {
        let random = random::code()?;
        let tag = self.tag(test, &random);
        Ok(random + &tag)
    }

    fn tag(&self, test: &Id, random: &str) -> String {
        hex(&self.orders.derived("visitor", &format!("{} {random}", hex(test)))[..16])
    }

    /// Who a code belongs to; `None` for a code that this hall did not give out for this test.
    pub(super) fn visitor(&self, test: &Id, code: &str) -> Option<Id> {
        let (random, tag) = code.split_at_checked(32)?;
        let wanted = self.tag(test, random);
        let fits = tag.len() == wanted.len() && tag.bytes().zip(wanted.bytes()).fold(0, |d, (a, b)| d | (a ^ b)) == 0;
        let hash = self.orders.derived("visitor's name", code);
        fits.then(|| std::array::from_fn(|i| hash[i]))
    }

    /// The engineer's key: the same on every replica.
    #[must_use]
    pub fn engineer(&self) -> String {
        hex(&self.orders.derived("engineer", "")[..16])
    }
}

/// Sixteen fresh random bytes.
pub(super) fn new_id() -> Result<Id, Failure> {
    let seed = random::seed()?;
    Ok(std::array::from_fn(|i| seed[i]))
}

/// Reads an id out of an address.
pub(super) fn id(text: &str) -> Option<Id> {
    unhex(text).and_then(|b| b.try_into().ok())
}
