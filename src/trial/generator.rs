//! The generator that draws orders: ChaCha20, by name, so that its stream does not change with a library's "standard" generator.

use crate::model::digest::Sha256Hex;
use crate::model::random::RandomWords;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha20Rng;
use sha2::{Digest, Sha256};
use zeroize::Zeroize;

/// Name and version, as the sealed plan states it.
pub const NAME: &str = "ChaCha20 (rand_chacha 0.10), seeded with 32 bytes from the operating system for every trial";

/// The same for tests of simulated listeners alone.
pub const SIMULATED: &str =
    "ChaCha20 (rand_chacha 0.10), seeded by the stated seed of the simulation; no order of this test was a secret";

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

    /// The same for an order that is hidden: the seed is overwritten, for whoever has it can draw the order again.
    #[must_use]
    pub fn from_secret(seed: &mut [u8; 32]) -> Self {
        let generator = Self::from_seed(*seed);
        seed.zeroize();
        generator
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

impl Drop for Generator {
    fn drop(&mut self) {
        // Its state tells what it drew. The library has no overwriting of its own; looking at the new state keeps the compiler from leaving it out.
        self.0 = ChaCha20Rng::from_seed([0; 32]);
        std::hint::black_box(&self.0);
    }
}

impl RandomWords for Generator {
    fn next_word(&mut self) -> u64 {
        self.0.next_u64()
    }
}
