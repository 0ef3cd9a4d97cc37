//! Recordings: from the run sheet to what a session has.
//!
//! * [`session`]: new, status; [`runsheet`]: the drawn order of capture
//! * [`take`]: importing and withdrawing; [`di`]: the DI
//! * [`measure`]: files by themselves and in pairs, with [`loudness_meter`]; [`check`]: faults, levels and differences of a session's takes
//! * [`alignment`]: where each take lies against the DI, `polarity` of whole setups; `inspection`: what marks a take; [`outline`](mod@outline): for choosing excerpts

pub mod alignment;
pub mod check;
pub mod di;
pub(crate) mod inspection;
pub mod loudness_meter;
pub mod measure;
pub mod outline;
pub(crate) mod polarity;
pub mod runsheet;
pub mod session;
pub mod take;
