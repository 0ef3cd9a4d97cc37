//! Methods, the hidden order, what may be shown when, commitment.
//!
//! * [`methods`]: question, instructions, choices of each method
//! * [`crossed`]: samples from all takes, whatever their setup, and what the takes test reads
//! * [`draw`]: independent fair draws, just in time
//! * [`hidden`]: an order that cannot be shown before its pick
//! * `locked`: an order that travels encrypted (an audience's trials)
//! * [`montage_key`]: the key of a blind montage
//! * [`seal`]: the canonical plan text and its hash
//! * [`generator`]: the generator that draws, seeded by bytes that are handed in

pub mod crossed;
pub mod draw;
pub mod generator;
pub mod hidden;
#[cfg(feature = "hall")]
pub mod locked;
pub mod methods;
pub mod montage_key;
pub mod seal;

pub use crossed::Units;
pub use draw::{DrawError, Pool, Progressed, draw_trial};
pub use generator::Generator;
pub use hidden::{AnswerError, Hidden, Opened, canonical_order, commitment_of, opens, wipe};
