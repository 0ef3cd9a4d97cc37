//! What a test could find, by the code that judges it.
//!
//! * [`chance`](mod@chance): from two numbers; [`what_if`](mod@what_if): a plan before it is sealed; [`rehearse`](mod@rehearse): simulated listeners, with `ears`; [`power`]:
//!   what more takes, trials and listeners would find

pub mod chance;
mod ears;
pub mod power;
pub mod rehearse;
pub mod what_if;
