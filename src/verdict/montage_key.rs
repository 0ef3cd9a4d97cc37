//! The key of a blind montage, held against its commitment.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::montage::{BlindMontage, Drawn};
use crate::store::KeptKey;
use crate::trial::montage_key;

/// The key, checked against its commitment.
pub(crate) fn drawn(record: &BlindMontage, key: &KeptKey) -> Result<Vec<Drawn>, Failure> {
    let damaged = |what: &str| {
        let message = format!("the key of {} {what}", record.id);
        Failure::plain("key-damaged", Fate::Unfit, message, "audit the session; this montage can carry no claim any more")
    };
    let nonce = crate::model::digest::unhex(&key.nonce).ok_or_else(|| damaged("has no readable nonce"))?;
    if montage_key::commitment(&nonce, &key.text) != record.commitment {
        return Err(damaged("does not open the commitment in its captions"));
    }
    serde_json::from_str(&key.text).map_err(|_| damaged("cannot be read"))
}
