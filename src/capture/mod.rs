//! Recordings: from the run sheet to what a session has.
//!
//! * [`session`]: new, status; [`runsheet`]: the drawn order of capture
//! * [`take`]: importing and withdrawing; [`di`]: the DI
//! * [`measure`]: files by themselves and in pairs, with [`loudness_meter`]; [`check`]: faults, levels and differences of a session's takes
//! * [`record`]: the tool plays the DI and records the passes itself
//! * [`alignment`]: where each take lies against the DI; [`outline`](mod@outline): for choosing excerpts

pub mod alignment;
pub mod check;
pub mod di;
pub mod loudness_meter;
pub mod measure;
pub mod outline;
pub mod record;
pub mod runsheet;
pub mod session;
pub mod take;
