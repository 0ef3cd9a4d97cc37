//! Recordings: from the run sheet to what a session has.
//!
//! * [`session`]: new, status; [`sessions`](mod@sessions): those under a folder; [`runsheet`]: the drawn order of capture
//! * [`take`]: importing; [`di`]: the DI; [`mend`]: withdrawing and reassigning; [`takes`]: the list
//! * [`pattern`]: a folder by its files' names; [`split`]: one long bounce; [`watch`]: a folder that is bounced into
//! * [`derive`](mod@derive): what is made to fit, stated
//! * [`measure`]: files by themselves and in pairs, with [`loudness_meter`]; [`check`]: faults, levels and differences of a session's takes
//! * [`beside`]: long work while others write; [`ready`]: recordings that wait to become takes
//! * [`record`]: the tool plays the DI and records the passes itself
//! * [`alignment`]: where each take lies against the DI, `polarity` of whole setups; `inspection`: what marks a take; `remembered`: what was worked out before; `hearable`: is there anything to hear?; [`outline`](mod@outline): for choosing excerpts

pub mod alignment;
pub mod beside;
pub mod check;
pub mod derive;
pub mod di;
mod guess;
pub mod hearable;
pub mod incoming;
pub(crate) mod inspection;
pub mod loudness_meter;
pub mod measure;
pub mod mend;
mod names;
pub mod naming;
pub mod outline;
pub mod pattern;
pub(crate) mod polarity;
pub mod ready;
pub mod record;
pub mod recording;
pub(crate) mod remembered;
pub mod runsheet;
pub mod session;
pub mod sessions;
pub mod split;
pub(crate) mod strangers;
pub mod take;
pub mod takes;
pub mod watch;
