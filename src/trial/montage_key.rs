//! The key of a blind montage: each numbered clip's setup is a fair draw of its own. Everybody in the audience hears the same key.

use crate::model::digest::{Sha256Hex, hex};
use crate::model::ids::{ClipId, SetupName};
use crate::model::montage::Drawn;
use crate::model::random::RandomWords;

/// What stands in front of nonce and key when a commitment is hashed.
pub const TAG: &str = "cabjury montage 1\n";

/// A drawn key with its nonce. It has no `Debug` and no `Clone`; only its text can be had, to be kept until it is revealed.
pub struct MontageKey {
    nonce: [u8; 32],
    drawn: Vec<Drawn>,
}

/// Draws `clips` numbered clips. `pool` holds, per setup in the engineer's order, the clips of its takes; `named` are those that sound with
/// their names first: a numbered clip is another take where there is one.
pub fn draw(pool: &[(SetupName, Vec<ClipId>)], named: &[ClipId], clips: u32, random: &mut dyn RandomWords) -> MontageKey {
    let mut nonce = [0; 32];
    for part in nonce.chunks_exact_mut(8) {
        part.copy_from_slice(&random.next_word().to_le_bytes());
    }
    let drawn = (0..clips)
        .filter_map(|_| {
            let (setup, takes) = pool.get(random.below(pool.len() as u64) as usize)?;
            let fresh: Vec<&ClipId> = takes.iter().filter(|c| !named.contains(c)).collect();
            let from: Vec<&ClipId> = if fresh.is_empty() { takes.iter().collect() } else { fresh };
            let clip = (*from.get(random.below(from.len() as u64) as usize)?).clone();
            Some(Drawn { setup: setup.clone(), clip })
        })
        .collect();
    MontageKey { nonce, drawn }
}

impl MontageKey {
    /// The drawn clips, for the one that lays them one after another.
    #[must_use]
    pub fn drawn(&self) -> &[Drawn] {
        &self.drawn
    }

    /// The canonical text of the key.
    #[must_use]
    pub fn text(&self) -> String {
        serde_json::to_string(&self.drawn).unwrap_or_default()
    }

    /// The nonce, hexadecimal.
    #[must_use]
    pub fn nonce(&self) -> String {
        hex(&self.nonce)
    }

    /// The commitment.
    #[must_use]
    pub fn commitment(&self) -> Sha256Hex {
        commitment(&self.nonce, &self.text())
    }
}

/// SHA-256(tag || nonce || canonical text of the key).
#[must_use]
pub fn commitment(nonce: &[u8], key_text: &str) -> Sha256Hex {
    let mut bytes = TAG.as_bytes().to_vec();
    bytes.extend_from_slice(nonce);
    bytes.extend_from_slice(key_text.as_bytes());
    Sha256Hex::of(&bytes)
}
