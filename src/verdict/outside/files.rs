//! Small files from outside: read whole, never more than they may have.

use crate::model::explain::{Explain, Fate};
use crate::model::failure::Failure;
use std::io::Read;
use std::path::Path;

/// Reads a file of at most so many bytes.
///
/// # Errors
/// It cannot be read, or is larger.
pub fn small(path: &Path, most: u64) -> Result<Vec<u8>, Failure> {
    let failed = |e: std::io::Error| {
        Failure::at_path("unreadable", Fate::Unfit, path, format!("{} cannot be read: {e}", path.display()), "check the path")
    };
    let mut bytes = Vec::new();
    std::fs::File::open(path).map_err(failed)?.take(most + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > most {
        let message = format!("{} is larger than {most} bytes", path.display());
        return Err(Failure::at_path("too-large", Fate::Unfit, path, message, "give the file that was meant"));
    }
    Ok(bytes)
}

/// A file that is not what it was given as.
pub(super) fn not_what_was_meant(path: &Path, error: &dyn Explain) -> Failure {
    Failure::at_path(error.kind(), error.fate(), path, format!("{}: {error}", path.display()), error.next())
}
