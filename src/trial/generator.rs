//! The generator that draws orders: ChaCha20, by name, so that its stream does not change with a library's "standard" generator.

use crate::model::random::RandomWords;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha20Rng;

/// Name and version, as the sealed plan states it.
pub const NAME: &str = "ChaCha20 (rand_chacha 0.10), seeded with 32 bytes from the operating system for every trial";

/// A cryptographic generator. It has no `Debug` and no `Clone`: its state would tell the order.
pub struct Generator(ChaCha20Rng);

impl Generator {
    /// Seeds it. People's trials hand in 32 bytes from the operating system, and nobody keeps them.
    #[must_use]
    pub fn from_seed(seed: [u8; 32]) -> Self {
        Self(ChaCha20Rng::from_seed(seed))
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
