//! What somebody outside vouches for.

mod timestamps;
