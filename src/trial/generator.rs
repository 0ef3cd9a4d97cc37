//! The generator that draws orders: ChaCha20, by name, so that its stream does not change with a library's "standard" generator.

use crate::model::digest::Sha256Hex;
use crate::model::random::RandomWords;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha20Rng;
use sha2::{Digest, Sha256};

/// Name and version, as the sealed plan states it.
pub const NAME: &str = "ChaCha20 (rand_chacha 0.10), seeded with 32 bytes from the operating system for every trial";

/// What stands in front of purpose and seal when permutations are seeded.
pub const PURPOSE: &str = "cabjury permutations 1\n";

/// A cryptographic generator. It has no `Debug` and no `Clone`: its state would tell the order.
pub struct Generator(ChaCha20Rng);

impl Generator {
    /// Seeds it. People's trials hand in 32 bytes from the operating system, and nobody keeps them.
    #[must_use]
    pub fn from_seed(seed: [u8; 32]) -> Self {
        Self(ChaCha20Rng::from_seed(seed))
    }

    /// A generator for permutations: seeded by the test's seal and what it is for, so that whoever recomputes a result draws the same ones.
    #[must_use]
    pub fn of_the_seal(seal: &Sha256Hex, purpose: &str) -> Self {
        Self(ChaCha20Rng::from_seed(
            Sha256::new()
                .chain_update(PURPOSE)
                .chain_update(purpose)
                .chain_update("\n")
                .chain_update(seal.as_str())
                .finalize()
                .into(),
        ))
    }

    /// A generator for simulations and tests, where the seed is stated so that they can be repeated.
    #[must_use]
    pub fn simulated(seed: u64) -> Self {
        Self(ChaCha20Rng::seed_from_u64(seed))
    }
}

impl RandomWords for Generator {
    fn next_word(&mut self) -> u64 {
        self.0.next_u64()
    }
}
