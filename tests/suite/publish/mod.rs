//! What leaves the room: montages, an audience's answers, bundles.

mod audience;
mod bundle;
mod montage;
mod pictures;
mod votes;
