//! Exact tests, intervals, d-prime, power, evidence that allows stopping, pooled listeners, listener checks, verdict gates.
//!
//! Everything rests on one assumption: the key of each trial is an independent fair draw. Then, if nothing is audible, the number right is
//! binomial exactly, whatever the listener does.
//!
//! * [`binomial`]: exact tails, p values, critical counts
//! * [`intervals`]: Clopper-Pearson, Wilson, Jeffreys; proportion of distinguishers
//! * [`dprime`]: Thurstonian models
//! * [`power`]: power and planning
//! * [`evidence`]: the e-process of open-ended tests
//! * [`preference`]: scales out of paired preferences, consistency, agreement
//! * [`mod@graded`]: medians, Friedman, signed ranks
//! * [`panel`]: many listeners
//! * [`mod@beta_binomial`]: how unequal they are
//! * [`checks`]: listener quality: flags, never exclusions
//! * [`verdict`]: all numbers of a count
//! * [`takes`]: was it the setups, or the takes?
//! * [`missing`]: answers that are missing count against every claim
//! * [`listeners`]: who heard it
//! * [`population`]: listeners like these
//! * [`taste`]: preference with listeners as units
//! * [`family`]: how many tests there were
//! * [`controls`]: known differences, cues of the player
//! * [`confidence`]: do listeners know when they were right?
//! * [`repeat_floor`]: do setups differ by more than repeat takes?
//! * [`bayes`]: a second opinion, never a gate
//! * [`judge`]: the gates, in their order
//! * [`sequential`]: looks before the end, for recomputing other people's tests
//! * [`special`]: the normal distribution and root finding

pub mod bayes;
pub mod beta_binomial;
pub mod binomial;
pub mod checks;
pub mod confidence;
pub mod controls;
pub mod dprime;
pub mod evidence;
pub mod family;
pub mod graded;
pub mod intervals;
pub mod judge;
pub mod listeners;
pub mod missing;
pub mod panel;
pub mod population;
pub mod power;
pub mod preference;
pub mod repeat_floor;
pub mod sequential;
pub mod special;
pub mod takes;
pub mod taste;
pub mod verdict;
