//! Of a program that was built without time stamps: says so.

use super::inside::Inside;
use super::kept_stamp::Found;
use crate::model::audio::Sha256Hex;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::verdict::promises::Problem;
use std::path::Path;

fn without() -> Failure {
    let message = "this program was built without time stamps";
    Failure::plain("no-timestamps", Fate::WrongUse, message, "build it with the feature \"timestamps\"")
}

/// There is none.
pub(crate) fn request(_session_id: &str, _head: &Sha256Hex) -> Result<Vec<u8>, Failure> {
    Err(without())
}

/// Those that the session keeps.
pub(super) fn kept(inside: &Inside, found: &mut Found<'_>) {
    if !inside.kept_stamps.is_empty() {
        let what = "this program was built without time stamps and cannot verify it".to_owned();
        found.problems.push(Problem { place: "a kept time stamp".to_owned(), what });
    }
}

/// One from a file, with the certificates that it has to lead to.
pub(super) fn given(_: &Inside, _: &Path, _: Option<&Path>, _: &mut Found<'_>) -> Result<(), Failure> {
    Err(without())
}
