//! From takes to clips: aligned, cut, brought to one loudness.
//!
//! * [`match_takes`](mod@match_takes): the clips of a session, from what [`sources`] finds; `findings`: what stands in their way
//! * [`level`]: copies of any files, without a session; `laid`: where they lie; [`aim`]: by which loudness

pub mod aim;
mod findings;
mod laid;
pub mod level;
pub mod match_takes;
pub mod request;
pub mod sources;
