//! What a bundle says of itself.

use super::audio::Sha256Hex;
use serde::{Deserialize, Serialize};

/// The name of the manifest, the first entry of every bundle. After unbundling it lies in the session's folder.
pub const MANIFEST: &str = "bundle.json";

/// What this program writes and reads.
pub const FORMAT: &str = "cabjury bundle 1";

/// One file of a bundle.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BundledFile {
    /// Path within the session's folder.
    pub path: String,
    /// Its size.
    pub bytes: u64,
    /// Its hash.
    pub sha256: Sha256Hex,
}

/// The manifest.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// [`FORMAT`].
    pub format: String,
    /// Version of the program that wrote it.
    pub program: String,
    /// Number of the tables' schema.
    pub schema: i64,
    /// Entries of the session's log.
    pub records: u64,
    /// Hash of the last of them.
    pub head_sha256: String,
    /// False when recordings and clips were left out.
    pub audio: bool,
    /// Every file but the manifest itself, sorted by path.
    pub files: Vec<BundledFile>,
}
