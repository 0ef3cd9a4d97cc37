//! The wiring side: what a network of drivers presents to the amplifier, and what each driver gets.
//!
//! * [`network`]: a network as a value, its canonical form
//! * [`notation`]: `A + B`, `A || B`, `(A + B) || -C` read into a network, faults with their column
//! * [`solve`]: load and shares; open and short are values, not numbers
//! * [`enumerate`]: every wiring of a few drivers
//! * [`grade`]: load against tap, and why
//! * [`load`]: everything that can be said of a wiring on a tap before anything is connected
//! * [`meter`]: the ohmmeter reading to expect, and what a wrong one may mean
//! * [`driver`]: impedance of a driver over frequency
//! * [`drive`]: the voltage that each driver gets over frequency, and how two setups differ
//! * [`same`]: do two setups give every driver the same voltage, judged by transfer functions
//! * [`pickup`]: what a mic or a blend should show of the difference
//! * [`source`]: the amplifier behind its tap
//! * [`propose`]: pairs of wirings that differ in how drivers share but stay on one tap
//! * [`caution`]: the texts about lethal voltages, loads, cables and hearing
//!
//! The room touches no file and no clock. Voltages and currents are rms and complex, counted from a driver's marked + to its other
//! terminal.

pub mod caution;
pub mod drive;
pub mod driver;
pub mod enumerate;
pub mod grade;
pub mod load;
pub mod meter;
pub mod network;
pub mod notation;
pub mod pickup;
pub mod propose;
pub mod same;
pub mod solve;
pub mod source;

pub use network::Network;
pub use notation::{NotationError, parse, parse_known};
