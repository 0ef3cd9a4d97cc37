//! Sealing a test, and taking picks.
//!
//! * [`plan`](mod@plan): sealing and closing, with [`plan_warnings`]
//! * [`trials`]: opening trials and taking picks; [`listen`]: joined with the player of this computer; [`sounding`]: what sounds through what
//! * [`desk`]: the session behind a browser

pub mod desk;
pub mod listen;
pub mod panel;
pub mod plan;
pub mod plan_check;
pub mod plan_doc;
mod plan_family;
mod plan_fit;
mod plan_units;
pub mod plan_warnings;
pub mod receipt;
pub mod seat;
pub mod sounding;
pub mod trials;
