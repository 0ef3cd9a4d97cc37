//! One evening's work, from recordings to verdict, on real guitar recordings.
//!
//! What is checked against is what the test itself put in: known lags, known gains, a known mild filter; loudness is measured once more
//! by the `ebur128` crate, a general library.

pub(crate) mod evening;
mod evenings;
mod mistakes;
mod readme;
mod real;
