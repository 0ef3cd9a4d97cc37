//! What the picks say, and whether the record holds.
//!
//! * [`tally`], [`trial_counts`]: counting; [`flags`](mod@flags): what stands out; [`scale`](mod@scale): preference on a scale
//! * [`score`](mod@score): the verdicts, as [`score_doc`] prints them; [`trial_csv`]: rows for recomputing
//! * [`audit`](mod@audit): hashes, chain, seals, commitments; [`montage_key`]: the key of a blind montage

pub mod audit;
pub mod flags;
pub mod montage_key;
pub mod scale;
pub mod score;
pub mod score_doc;
pub mod tally;
pub mod trial_counts;
pub mod trial_csv;
