//! From takes to clips: aligned, cut, brought to one loudness.
//!
//! * [`match_takes`](mod@match_takes): the clips of a session, from what [`sources`] finds; `match_doc`: what it reports; `findings`: what stands in their way
//! * [`level`]: copies of any files, without a session; `laid`: where they lie; [`aim`]: by which loudness

pub mod aim;
mod findings;
mod laid;
pub mod level;
mod match_doc;
pub mod match_takes;
pub mod request;
pub mod sources;
