//! What can go wrong with an audio file, in words that a musician understands.

use crate::model::explain::{Explain, Fate};
use std::path::{Path, PathBuf};

/// An audio file that cannot be read or written.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// There is no such file.
    #[error("{path} does not exist", path = path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be opened or read: permission, a folder, a failing disk.
    #[error("{path} cannot be read: {source}", path = path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file has no bytes.
    #[error("{path} is empty", path = path.display())]
    Empty {
        /// The file.
        path: PathBuf,
    },
    /// The bytes are no audio file that is known here.
    #[error("{path} is not an audio file that can be read here: {reason}", path = path.display())]
    NotAudio {
        /// The file.
        path: PathBuf,
        /// What was found instead.
        reason: String,
    },
    /// A WAV whose header cannot be trusted.
    #[error("{path} has a header that cannot be trusted: {reason}", path = path.display())]
    BadHeader {
        /// The file.
        path: PathBuf,
        /// What was found, what was wanted.
        reason: String,
    },
    /// Compressed audio inside a WAV, or a coding that is not read here.
    #[error("{path} holds {coding}, which is not read here", path = path.display())]
    Coding {
        /// The file.
        path: PathBuf,
        /// The coding.
        coding: String,
    },
    /// The header is fine, and no audio follows.
    #[error("{path} holds no audio: 0 frames", path = path.display())]
    NoFrames {
        /// The file.
        path: PathBuf,
    },
    /// The decoder gave up, or broke down.
    #[error("{path} could not be decoded: {reason}", path = path.display())]
    Decoder {
        /// The file.
        path: PathBuf,
        /// What the decoder said.
        reason: String,
    },
    /// There is something under that name already.
    #[error("{path} exists already and is never overwritten", path = path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be written: permission, full disk.
    #[error("{path} cannot be written: {reason}", path = path.display())]
    CannotWrite {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
}

impl SoundError {
    pub(super) fn io(path: &Path, source: std::io::Error) -> Self {
        if source.kind() == std::io::ErrorKind::NotFound {
            Self::Missing { path: path.to_owned() }
        } else {
            Self::Unreadable { path: path.to_owned(), source }
        }
    }
}

impl Explain for SoundError {
    fn kind(&self) -> &'static str {
        match self {
            Self::Missing { .. } => "missing-file",
            Self::Unreadable { .. } => "unreadable-file",
            Self::Empty { .. } => "empty-file",
            Self::NotAudio { .. } => "not-audio",
            Self::BadHeader { .. } => "bad-header",
            Self::Coding { .. } => "unsupported-coding",
            Self::NoFrames { .. } => "no-frames",
            Self::Decoder { .. } => "decoder",
            Self::Exists { .. } => "exists-already",
            Self::CannotWrite { .. } => "cannot-write",
        }
    }

    fn next(&self) -> String {
        match self {
            Self::Missing { .. } => "check the name; a path with spaces needs quotes",
            Self::Unreadable { .. } => "check that it is a file and that you may read it",
            Self::Empty { .. } | Self::NoFrames { .. } => "export the recording again from the editor",
            Self::NotAudio { .. } => "give a WAV, Wave64, FLAC, AIFF, AU, CAF, MP3, Opus or Ogg file",
            Self::BadHeader { .. } | Self::Decoder { .. } => "open it in the editor and export it again as 24-bit WAV",
            Self::Coding { .. } => "export it as 24-bit or float WAV, or as FLAC",
            Self::Exists { .. } => "choose another name or folder, or move the old file away yourself",
            Self::CannotWrite { .. } => "choose a folder that you may write to, on a disk with room",
        }
        .to_owned()
    }

    fn fate(&self) -> Fate {
        match self {
            Self::Exists { .. } => Fate::Refused,
            Self::CannotWrite { .. } => Fate::Failed,
            _ => Fate::Unfit,
        }
    }

    fn path(&self) -> Option<&Path> {
        match self {
            Self::Missing { path }
            | Self::Unreadable { path, .. }
            | Self::Empty { path }
            | Self::NotAudio { path, .. }
            | Self::BadHeader { path, .. }
            | Self::Coding { path, .. }
            | Self::NoFrames { path }
            | Self::Decoder { path, .. }
            | Self::Exists { path }
            | Self::CannotWrite { path, .. } => Some(path),
        }
    }
}
