//! Audio files of every kind, good and bad.

mod damaged;
mod wav_cases;
mod written;
