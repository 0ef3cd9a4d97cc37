//! Why a time stamp vouches for nothing.

use crate::model::explain::{Explain, Fate};

/// An answer that does not vouch for anything.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StampError {
    /// Not an answer to a time-stamp request.
    #[error("this is not an RFC 3161 time-stamp answer: {what}")]
    NotAnAnswer {
        /// What was found.
        what: String,
    },
    /// The authority refused.
    #[error("the authority did not grant the stamp (status {status})")]
    NotGranted {
        /// The status in its answer.
        status: String,
    },
    /// Something in it does not hold.
    #[error("the time stamp does not hold: {what}")]
    NotValid {
        /// What does not.
        what: String,
    },
    /// An algorithm that is not known here.
    #[error("the time stamp cannot be verified here: {what} is not known")]
    Unknown {
        /// What is unknown.
        what: String,
    },
    /// It does not lead to the authority that was given.
    #[error("the time stamp was signed by {signer}, which none of the given certificates vouches for")]
    OtherAuthority {
        /// Who signed.
        signer: String,
    },
    /// The authority's file holds no certificate.
    #[error("the authority's file holds no certificate in PEM form")]
    NotCertificates,
}

impl Explain for StampError {
    fn kind(&self) -> &'static str {
        match self {
            Self::NotAnAnswer { .. } => "not-a-time-stamp",
            Self::NotGranted { .. } => "stamp-not-granted",
            Self::NotValid { .. } => "stamp-not-valid",
            Self::Unknown { .. } => "stamp-unknown-algorithm",
            Self::OtherAuthority { .. } => "stamp-other-authority",
            Self::NotCertificates => "not-certificates",
        }
    }

    fn next(&self) -> String {
        match self {
            Self::NotAnAnswer { .. } => "give the file that the authority sent back (often with the ending .tsr)",
            Self::NotGranted { .. } => "ask the authority again with a new request, or ask another one",
            Self::NotValid { .. } => "this answer vouches for nothing; ask the authority for the stamp again",
            Self::Unknown { .. } => "verify it with a general tool such as openssl ts -verify -digest HEAD",
            Self::OtherAuthority { .. } => "give the certificate of the authority that was asked with --authority",
            Self::NotCertificates => "give the authority's certificates in PEM form (BEGIN CERTIFICATE)",
        }
        .to_owned()
    }

    fn fate(&self) -> Fate {
        Fate::Unfit
    }
}
