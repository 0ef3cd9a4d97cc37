//! What the picks say, and whether the record holds.
//!
//! * [`tally`], [`trial_counts`]: counting; [`flags`](mod@flags): what stands out; [`scale`](mod@scale): preference on a scale
//! * [`weigh`](mod@weigh): from tallies to a verdict; [`judge`](mod@judge): to the one shape of a result
//! * [`from_records`]: tests scored from their records; [`promises`]: seals and commitments held against what was kept
//! * [`closing`](mod@closing): a closed test's result is frozen; [`score`](mod@score): what is said of all tests; [`trial_csv`]: rows for
//!   recomputing
//! * [`outside`](mod@outside): who outside of the folder vouches for it; [`asked`]: an audit with all that
//! * [`audience`](mod@audience): what an audience that visited answered, a class of its own
//! * [`hashes`]: every file hashed once; [`audit`](mod@audit): hashes, chain, seals, commitments; [`montage_key`]: the key of a blind montage

pub mod asked;
pub mod audience;
pub mod audit;
pub mod closing;
pub mod flags;
pub mod from_records;
pub mod hashes;
pub mod judge;
pub mod montage_key;
pub mod outside;
pub mod promises;
pub mod scale;
pub mod score;
pub mod tally;
pub mod trial_counts;
pub mod trial_csv;
pub mod weigh;
