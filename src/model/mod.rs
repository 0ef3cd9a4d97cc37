//! Plain records and names. They lie below the rooms that make them and the rooms that show them, so every import points one way.
//!
//! * [`ids`]: names of setups, mics, takes, clips, tests, listeners
//! * [`rig`]: amplifier, drivers, wirings, setups, mics, blends: what the rig sheet says
//! * [`audio`]: a recording in memory, what was measured of it, what is wrong with it
//! * [`session`]: takes, clips, excerpts, listeners, meter readings
//! * [`bundle`]: what a bundle says of itself
//! * [`montage`]: blind montages, an audience's answers
//! * [`plan`]: methods, plans, seals; [`trial`]: trials, orders, picks
//! * [`glance`]: a trial as it is read through by the million
//! * [`result`]: what a test showed, the one shape of it
//! * [`digest`]: SHA-256 and hexadecimal digits
//! * [`verdict`]: the kinds of verdict
//! * [`random`]: random words that are handed in
//! * [`outside`]: clock and progress, behind traits
//! * [`explain`]: what every error can say

pub mod audio;
pub mod bundle;
pub mod digest;
pub mod explain;
pub mod failure;
pub mod glance;
pub mod ids;
pub mod montage;
pub mod outside;
pub mod plan;
pub mod random;
pub mod result;
pub mod rig;
pub mod session;
pub mod trial;
pub mod verdict;
