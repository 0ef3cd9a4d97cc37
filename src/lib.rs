//! Blind listening for guitar cab wiring: the program's own library. What the program does stands in the README and in the guide (`sessions/`).
//!
//! ```
//! use cabjury::circuit::notation::parse;
//!
//! let wiring = parse("(A + B) || (C + D)").expect("two series strings in parallel");
//! assert_eq!(wiring.to_string(), "(A + B) || (C + D)");
//! ```
//!
//! For other programs: [`circuit`] (notation and load of a wiring), [`signal`] (loudness, true peak, alignment, matching), [`stats`] (exact
//! tests, splits of takes, intervals), [`trial`] (methods, designs, commitments), [`report`] (sentences, plots and pages of a
//! [`model::result::TestResult`]), and [`model`] and [`units`], in whose types they speak. All of them calculate: they touch no file, clock or
//! device. The other rooms are the tool itself, and change as it changes.

pub mod circuit;
pub mod model;
pub mod report;
pub mod signal;
pub mod stats;
pub mod trial;
pub mod units;

#[doc(hidden)]
pub mod capture;
#[doc(hidden)]
pub mod cli;
#[doc(hidden)]
pub mod demo;
#[doc(hidden)]
pub mod foresight;
#[cfg(feature = "hall")]
#[doc(hidden)]
pub mod hall;
#[doc(hidden)]
pub mod matching;
#[doc(hidden)]
pub mod paint;
#[doc(hidden)]
pub mod publish;
#[doc(hidden)]
pub mod rig;
#[doc(hidden)]
pub mod sound;
#[doc(hidden)]
pub mod store;
#[doc(hidden)]
pub mod testing;
#[doc(hidden)]
pub mod verdict;
#[doc(hidden)]
pub mod web;
#[doc(hidden)]
pub mod witness;
