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
//! * [`verdict`]: the gates
//! * [`sequential`]: looks before the end, for recomputing other people's tests
//! * [`special`]: the normal distribution and root finding

pub mod beta_binomial;
pub mod binomial;
pub mod checks;
pub mod dprime;
pub mod evidence;
pub mod graded;
pub mod intervals;
pub mod panel;
pub mod power;
pub mod preference;
pub mod sequential;
pub mod special;
pub mod verdict;
