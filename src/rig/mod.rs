//! What is wired, and what it presents to the amplifier.
//!
//! * [`load`]: one wiring without a session; [`cards`]: the rig sheet read in, a wiring card per setup; [`mics`]: what each mic hears
//! * [`sheet`]: the rig sheet, with [`sheet_error`]; [`new_sheet`]: one to begin with; [`drawing`]: the wirings drawn
//! * [`gate`]: may this setup be powered, recorded, tested? [`objection`]: what can stand against it
//! * [`warning`], [`error`]: what this room warns of and refuses, a remedy each; [`wired`]: a setup's parts looked up in the sheet
//! * [`ohmmeter`]: a reading judged and recorded
//! * [`differs`]: everything that differs between two setups; [`predicted`]: the drive that the model predicts

pub mod cards;
pub mod differs;
pub mod drawing;
pub mod error;
pub mod gate;
pub mod load;
pub mod mics;
pub mod new_sheet;
pub mod objection;
pub mod ohmmeter;
pub mod predicted;
pub mod sheet;
pub mod sheet_error;
pub mod warning;
pub mod wired;
