//! The player through the engine alone, the silent device, ALSA's file capture, and a pseudo-terminal.

#[cfg(target_os = "linux")]
mod capture;
mod cues;
mod engine;
#[cfg(unix)]
pub(crate) mod terminal;
