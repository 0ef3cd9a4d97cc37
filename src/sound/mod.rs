//! Reading and writing audio files, output devices, the blind player.
//!
//! * [`read`]: any file to planar `f32`, in blocks or whole, hashed in the same pass
//! * [`wav`]: our own RIFF / RF64 / BW64 / Wave64 walker; `au`: AU
//! * [`wav_notes`]: channel mask, title and named places of a written file
//! * [`decode`]: FLAC, AIFF, CAF, ALAC, MP3, Ogg Vorbis through symphonia; `opus` decodes its packets
//! * [`write`](mod@write): 24-bit WAV, never over something that exists
//! * [`flac`]: the same as FLAC
//! * [`resample`](mod@resample): another rate
//! * [`device`]: the sound card, and devices without one
//! * [`engine`]: what the audio thread runs
//! * [`player`]: clips on a device
//! * [`duplex`]: devices that play and record at once; [`card_duplex`]: sound cards
//! * [`deck`]: what the audio threads run while it is recorded; `deck_state`: what they share
//! * [`tape`]: a WAV that grows, its header valid at every moment
//! * [`recorder`]: a sitting at a device
//! * [`error`]: what can go wrong with a file

mod au;
pub mod card_duplex;
mod clocks;
pub mod deck;
mod deck_state;
pub mod decode;
pub mod device;
pub mod duplex;
pub mod engine;
pub mod error;
pub mod flac;
mod opus;
pub mod player;
pub mod read;
pub mod recorder;
pub mod resample;
pub mod source;
pub mod tape;
mod unpack;
pub mod wav;
pub mod wav_notes;
pub mod wave64;
pub mod write;

pub use error::SoundError;
pub use read::{Kept, read_all, read_beginning, stream};
pub use resample::resample;
pub use source::Head;
pub use write::write_wav24;
