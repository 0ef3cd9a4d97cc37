//! One file per thing a person asks for. Jobs introduce the rooms to each other and return values; they print nothing.
//!
//! * [`load`], [`rig`], [`drawing`], [`meter`], [`runsheet`]: what is wired
//! * [`session`]: new, status; [`sheet`]: the rig sheet
//! * [`intake`]: takes, withdrawing; `intake_di`: the DI
//! * [`measure`], [`level`]: files without a session
//! * [`check`], [`prepare`](mod@prepare): faults and differences; the clips, and `sources`, what becomes them
//! * [`chance`], [`plan`], [`trials`], [`score`], [`rehearse`], [`audit`]: tests from what they could find to what they found
//! * [`score_doc`]: what `score` prints; [`scale`](mod@scale): preference on a scale; [`flags`](mod@flags): what stands out in answers
//! * [`tally`], [`trial_csv`]: counting, and rows for recomputing
//! * [`listen`]: trials joined with the player; [`sounding`]: what sounds and through what
//! * [`desk`]: the session behind a browser; [`outline`](mod@outline): for choosing excerpts
//! * [`publish`]: the report; [`montage`](mod@montage), [`reveal`](mod@reveal), [`votes`](mod@votes): for an audience; [`bundle`](mod@bundle): for another computer; [`demo`]: the invented shootout
//! * [`mod@rescue`]: what can still be read of a damaged session
//! * [`mod@what_if`]: what a plan could find, before it is sealed
//! * [`gathered`]: a test's trials, taken up one after another
//! * [`error`]: the one error of all jobs
//! * [`random`]: bytes from the operating system

pub mod audit;
pub mod bundle;
pub mod chance;
pub mod check;
pub mod demo;
pub mod desk;
pub mod differs;
pub mod drawing;
pub mod error;
pub mod flags;
pub mod gathered;
pub mod intake;
mod intake_di;
pub mod level;
pub mod listen;
pub mod load;
pub mod measure;
pub mod meter;
pub mod metering;
pub mod montage;
mod montage_choice;
pub mod montage_files;
pub mod outline;
pub mod placing;
pub mod plan;
mod plan_warnings;
pub mod predicted;
pub mod prepare;
pub mod publish;
pub mod random;
pub mod rehearse;
pub mod rescue;
pub mod reveal;
pub mod rig;
pub mod rig_mics;
pub mod runsheet;
pub mod scale;
pub mod score;
pub mod score_doc;
pub mod session;
pub mod sheet;
pub mod sounding;
mod sources;
pub mod tally;
pub mod trial_csv;
pub mod trials;
pub mod unbundle;
pub mod votes;
pub mod what_if;

pub use error::JobError;
