//! What somebody outside vouches for.

mod forger;
mod kept;
mod memory;
mod played;
mod published;
mod receipts;
mod timestamps;
