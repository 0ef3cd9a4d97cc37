//! The line to publish, and its picture.

use super::shell::Shell;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::testing::fingerprint::FingerprintDoc;
use crate::web::qr_picture;
use std::path::Path;

/// Refuses a picture whose name is taken, before anything else is done.
pub(super) fn free(picture: Option<&Path>) -> Result<(), Failure> {
    match picture.filter(|p| p.symlink_metadata().is_ok()) {
        None => Ok(()),
        Some(taken) => {
            let message = format!("{} exists already and is never overwritten", taken.display());
            Err(Failure::at_path("exists-already", Fate::Refused, taken, message, "choose another name with --qr"))
        }
    }
}

/// Prints the line, and draws it where a picture is wanted.
pub(super) fn fingerprint(
    found: Option<&FingerprintDoc>,
    when: &str,
    picture: Option<&Path>,
    shell: &mut Shell,
) -> Result<(), Failure> {
    let Some(found) = found else { return Ok(()) };
    shell.say(&format!("to publish {when}, so that others can vouch:\n  {}", found.line));
    if let Some(path) = picture {
        qr_picture(path, &found.line)?;
        shell.say(&format!("  as a picture: {}", path.display()));
    }
    Ok(())
}
