//! `demo`: the invented shootout from rig to report.

mod filter;
pub mod material;
mod riff;
mod rig;
