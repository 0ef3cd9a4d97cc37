//! Audio files of every kind, good and bad.

mod containers;
mod damaged;
mod flac;
mod opus;
mod wav_cases;
mod written;
