//! A hidden order that travels encrypted: any replica of the hall may take the pick, and the database between them keeps what it cannot read.
//!
//! XChaCha20-Poly1305 (RFC 8439's construction with the longer nonce of draft-irtf-cfrg-xchacha) under a key that is never in the database;
//! what a ciphertext belongs to (test, trial, visitor) is its associated data, so that a row moved elsewhere does not open. The plaintext has
//! the same length for every order of a plan: kind, slots and right answer cannot be told from its size.

use super::hidden::Hidden;
use super::methods;
use crate::model::explain::{Explain, Fate};
use crate::model::ids::ClipId;
use crate::model::random::RandomWords;
use crate::model::trial::{OrderRecord, Plan, SlotRecord, TrialKind};
use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use zeroize::{Zeroize, Zeroizing};

/// Bytes of a nonce, which stands in front of its ciphertext.
const NONCE: usize = 24;
/// Bytes of a sound's name.
pub const NAME: usize = 16;
/// Bytes of one slot: clip, what is done to it, name of the sound.
const SLOT: usize = 3 + NAME;

/// A sound's name: random, and of no meaning without the key.
pub type SoundName = [u8; NAME];

/// What does not open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LockError {
    /// Another key, another row, or changed bytes.
    #[error("an encrypted record of the hall does not open with this key")]
    DoesNotOpen,
    /// It opens and is no order of this plan.
    #[error("an encrypted record of the hall is not an order of its plan")]
    NotOfThePlan,
}

impl Explain for LockError {
    fn kind(&self) -> &'static str {
        "hall-locked"
    }
    fn next(&self) -> String {
        "give the key file that the test was published with".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
}

/// The key of orders. It has no `Debug` and no `Clone`, and its memory is overwritten when it goes.
pub struct OrderKey(Zeroizing<[u8; 32]>);

impl OrderKey {
    /// Takes 32 bytes, and overwrites where they were.
    #[must_use]
    pub fn new(bytes: &mut [u8; 32]) -> Self {
        let key = Self(Zeroizing::new(*bytes));
        bytes.zeroize();
        key
    }

    /// A secret of its own for another purpose, from which the key cannot be told: SHA-256 over purpose, key and text.
    #[must_use]
    pub fn derived(&self, purpose: &str, text: &str) -> [u8; 32] {
        use sha2::{Digest, Sha256};
        // Purpose and text are told apart by their lengths: no two inputs are the same bytes.
        let lengths = [(purpose.len() as u64).to_be_bytes(), (text.len() as u64).to_be_bytes()];
        let hash = Sha256::new().chain_update("cabjury hall 1\n").chain_update(lengths.concat()).chain_update(purpose);
        let inner = hash.chain_update(*self.0).chain_update(text).finalize();
        Sha256::new().chain_update(inner).finalize().into()
    }

    /// Encrypts.
    #[must_use]
    pub fn lock_bytes(&self, plain: &[u8], belongs_to: &str, random: &mut dyn RandomWords) -> Vec<u8> {
        let mut nonce = [0; NONCE];
        nonce.chunks_exact_mut(8).for_each(|part| part.copy_from_slice(&random.next_word().to_le_bytes()));
        let payload = Payload { msg: plain, aad: belongs_to.as_bytes() };
        // It fails only where the plaintext is longer than 2^38 bytes.
        let sealed = self.cipher().encrypt(&XNonce::from(nonce), payload).unwrap_or_default();
        [nonce.as_slice(), &sealed].concat()
    }

    /// Decrypts.
    ///
    /// # Errors
    /// [`LockError::DoesNotOpen`].
    pub fn unlock_bytes(&self, sealed: &[u8], belongs_to: &str) -> Result<Zeroizing<Vec<u8>>, LockError> {
        let (nonce, msg) = sealed.split_first_chunk::<NONCE>().ok_or(LockError::DoesNotOpen)?;
        let payload = Payload { msg, aad: belongs_to.as_bytes() };
        let plain = self.cipher().decrypt(&XNonce::from(*nonce), payload);
        plain.map(Zeroizing::new).map_err(|_| LockError::DoesNotOpen)
    }

    fn cipher(&self) -> XChaCha20Poly1305 {
        XChaCha20Poly1305::new((&*self.0).into())
    }

    /// Encrypts an order together with the names of the sounds that were drawn for its slots.
    ///
    /// # Errors
    /// [`LockError::NotOfThePlan`].
    pub fn lock(
        &self,
        plan: &Plan,
        hidden: &Hidden,
        names: &[SoundName],
        belongs_to: &str,
        random: &mut dyn RandomWords,
    ) -> Result<Vec<u8>, LockError> {
        let (order, nonce) = hidden.parts();
        let plain = Zeroizing::new(packed(plan, order, nonce, names).ok_or(LockError::NotOfThePlan)?);
        Ok(self.lock_bytes(&plain, belongs_to, random))
    }

    /// Opens an order that travelled: the same that was drawn, hidden as before, and the names of its sounds in the order of the slots.
    ///
    /// # Errors
    /// [`LockError`].
    pub fn unlock(&self, plan: &Plan, sealed: &[u8], belongs_to: &str) -> Result<(Hidden, Vec<SoundName>), LockError> {
        let plain = self.unlock_bytes(sealed, belongs_to)?;
        unpacked(plan, &plain).ok_or(LockError::NotOfThePlan)
    }
}

const KINDS: [TrialKind; 4] = [TrialKind::Scored, TrialKind::SameFile, TrialKind::Repeat, TrialKind::Known];

/// Nonce, kind, place of the right choice (0: none), then each slot: clip's place in the plan, what is done to it, the sound's name.
fn packed(plan: &Plan, order: &OrderRecord, nonce: &[u8; 32], names: &[SoundName]) -> Option<Vec<u8>> {
    let choices = methods::choices(plan.method, order.slots.len().saturating_sub(1));
    let right = match &order.right {
        None => 0,
        Some(right) => 1 + u8::try_from(choices.iter().position(|c| c == right)?).ok()?,
    };
    let mut out = nonce.to_vec();
    out.push(u8::try_from(KINDS.iter().position(|k| *k == order.kind)?).ok()?);
    out.push(right);
    if names.len() != order.slots.len() {
        return None;
    }
    for (slot, name) in order.slots.iter().zip(names) {
        let place = u16::try_from(plan.clips.iter().position(|c| c.clip == slot.clip)?).ok()?;
        out.extend(place.to_be_bytes());
        out.push(u8::from(slot.anchor) | (u8::from(slot.raised) << 1));
        out.extend(name);
    }
    Some(out)
}

fn unpacked(plan: &Plan, plain: &[u8]) -> Option<(Hidden, Vec<SoundName>)> {
    let (nonce, rest) = plain.split_first_chunk::<32>()?;
    let ([kind, right], slots) = rest.split_first_chunk::<2>()?;
    let kind = *KINDS.get(usize::from(*kind))?;
    let count = slots.len() / SLOT;
    if slots.len() % SLOT != 0 {
        return None;
    }
    let stimuli = count.saturating_sub(1);
    let (labels, choices) = (methods::labels(plan.method, stimuli), methods::choices(plan.method, stimuli));
    let right = if *right == 0 { None } else { Some(choices.get(usize::from(*right) - 1)?.clone()) };
    let (mut records, mut names) = (Vec::new(), Vec::new());
    for (label, bytes) in labels.into_iter().zip(slots.chunks_exact(SLOT)) {
        let (head, name) = bytes.split_first_chunk::<3>()?;
        let place = usize::from(u16::from_be_bytes([head[0], head[1]]));
        let clip: ClipId = plan.clips.get(place)?.clip.clone();
        records.push(SlotRecord { label, clip, anchor: head[2] & 1 == 1, raised: head[2] & 2 == 2 });
        names.push(name.try_into().ok()?);
    }
    (records.len() == count).then_some(())?;
    let order = OrderRecord { kind, slots: records, right };
    Some((Hidden::again(plan.method, choices, order, *nonce), names))
}
