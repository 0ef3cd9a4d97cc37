//! Sealing a test, and taking picks.
//!
//! * [`request`]: what is asked for; [`choose`]: its clips; [`build`]: its plan, with [`plan_warnings`]
//! * [`plan`](mod@plan): sealing, closing and giving up
//! * [`standing`]: how far a listener is; [`entering`]: who may begin; [`trials`]: opening trials and taking picks; [`listen`]: joined with the player of this computer, with [`training`]; [`sounding`]: what sounds through what
//! * [`desk`]: the session behind a browser; [`closed_memory`]: nobody looks into this process
//! * [`receipt`], [`fingerprint`]: what listeners take home, what to publish

pub mod build;
pub mod choose;
pub mod closed_memory;
pub mod desk;
pub mod entering;
pub mod fingerprint;
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
pub mod request;
pub mod seat;
pub mod sounding;
pub mod standing;
pub mod training;
pub mod trials;
