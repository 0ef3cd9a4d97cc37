//! Faults, alignment, loudness, matching, spectrum, repeat floor: samples in memory or handed in blocks.
//!
//! * [`loudness`]: K-weighting exact at every rate, gates, momentary, short-term, range
//! * [`ears`]: levels by other ears than K-weighting
//! * [`zwicker`]: loudness by ISO 532-1
//! * [`peak`]: true peak with an exact shortcut
//! * [`meter`]: both, in one pass over blocks
//! * [`align`]: lag, polarity, drift
//! * [`placing`]: where one recording lies in another: lag, drift, jumps, each with its uncertainty
//! * [`shift`]: windowed-sinc delay and warp
//! * [`matching`]: the shared gate, gains, ceiling
//! * [`bands`]: one-third-octave levels, residual, repeat floor
//! * [`inspect`]: a take held against its siblings
//! * [`faults`]: what is wrong with a recording, with cause and remedy
//! * [`test_sounds`]: pink noise, the anchor
//! * [`respond`]: minimum-phase filters from a level curve
//! * [`excerpts`]: what to listen to
//! * [`montage`]: clips one after another
//! * [`fades`], [`dither`]: the edges and the last bit

pub mod align;
pub mod bands;
pub mod dither;
pub mod ears;
pub mod excerpts;
pub mod fades;
pub mod faults;
pub mod inspect;
pub mod loudness;
pub mod matching;
pub mod meter;
pub mod montage;
pub mod peak;
pub mod placing;
pub mod respond;
pub mod shift;
pub mod test_sounds;
pub mod zwicker;
