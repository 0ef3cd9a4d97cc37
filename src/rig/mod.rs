//! What is wired, and what it presents to the amplifier.
//!
//! * [`load`]: one wiring without a session; [`cards`]: the rig sheet read in, a wiring card per setup; [`mics`]: what each mic hears
//! * [`sheet`]: the rig sheet; [`new_sheet`]: one to begin with; [`drawing`]: the wirings drawn
//! * [`ohmmeter`]: a reading judged and recorded
//! * [`differs`]: everything that differs between two setups; [`predicted`]: the drive that the model predicts

pub mod cards;
pub mod differs;
pub mod drawing;
pub mod load;
pub mod mics;
pub mod new_sheet;
pub mod ohmmeter;
pub mod predicted;
pub mod sheet;
