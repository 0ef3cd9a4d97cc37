//! What a test could find, by the code that judges it.
//!
//! * [`chance`](mod@chance): from two numbers; [`what_if`](mod@what_if): a plan before it is sealed; [`rehearse`](mod@rehearse): simulated listeners

pub mod chance;
pub mod rehearse;
pub mod what_if;
