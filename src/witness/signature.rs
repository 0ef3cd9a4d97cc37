//! Verifying one signature: RSA (PKCS #1 v1.5) and ECDSA over P-256 and P-384, with SHA-256, SHA-384 or SHA-512. These are what time-stamping
//! authorities sign with (common practice, no source); anything else is named as unknown, never passed.

use der::Encode;
use der::asn1::ObjectIdentifier;
use p256::ecdsa::signature::hazmat::PrehashVerifier;
use rsa::pkcs1::DecodeRsaPublicKey;
use rsa::sha2::{Digest, Sha256, Sha384, Sha512};
use rsa::{Pkcs1v15Sign, RsaPublicKey};
use x509_cert::spki::{AlgorithmIdentifierOwned, SubjectPublicKeyInfoOwned};

const fn oid(text: &str) -> ObjectIdentifier {
    ObjectIdentifier::new_unwrap(text)
}

// Object identifiers: RFC 8017 appendix C (RSA), RFC 5480 and RFC 5758 (elliptic curves), RFC 5754 (SHA-2).
pub(super) const SHA_256: ObjectIdentifier = oid("2.16.840.1.101.3.4.2.1");
const SHA_384: ObjectIdentifier = oid("2.16.840.1.101.3.4.2.2");
const SHA_512: ObjectIdentifier = oid("2.16.840.1.101.3.4.2.3");
const RSA: ObjectIdentifier = oid("1.2.840.113549.1.1.1");
const RSA_SHA_256: ObjectIdentifier = oid("1.2.840.113549.1.1.11");
const RSA_SHA_384: ObjectIdentifier = oid("1.2.840.113549.1.1.12");
const RSA_SHA_512: ObjectIdentifier = oid("1.2.840.113549.1.1.13");
const EC: ObjectIdentifier = oid("1.2.840.10045.2.1");
const P_256: ObjectIdentifier = oid("1.2.840.10045.3.1.7");
const P_384: ObjectIdentifier = oid("1.3.132.0.34");
const ECDSA_SHA_256: ObjectIdentifier = oid("1.2.840.10045.4.3.2");
const ECDSA_SHA_384: ObjectIdentifier = oid("1.2.840.10045.4.3.3");
const ECDSA_SHA_512: ObjectIdentifier = oid("1.2.840.10045.4.3.4");

/// Hash functions that are known here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Hash {
    Sha256,
    Sha384,
    Sha512,
}

impl Hash {
    /// By its identifier as a digest algorithm.
    pub(super) fn named(oid: &ObjectIdentifier) -> Option<Self> {
        match *oid {
            SHA_256 => Some(Self::Sha256),
            SHA_384 => Some(Self::Sha384),
            SHA_512 => Some(Self::Sha512),
            _ => None,
        }
    }

    /// The hash that a signature algorithm says; plain RSA leaves it to the digest algorithm beside it.
    fn of_signature(oid: &ObjectIdentifier, beside: Option<Self>) -> Option<Self> {
        match *oid {
            RSA_SHA_256 | ECDSA_SHA_256 => Some(Self::Sha256),
            RSA_SHA_384 | ECDSA_SHA_384 => Some(Self::Sha384),
            RSA_SHA_512 | ECDSA_SHA_512 => Some(Self::Sha512),
            RSA => beside,
            _ => None,
        }
    }

    pub(super) fn digest(self, bytes: &[u8]) -> Vec<u8> {
        match self {
            Self::Sha256 => Sha256::digest(bytes).to_vec(),
            Self::Sha384 => Sha384::digest(bytes).to_vec(),
            Self::Sha512 => Sha512::digest(bytes).to_vec(),
        }
    }

    fn padding(self) -> Pkcs1v15Sign {
        match self {
            Self::Sha256 => Pkcs1v15Sign::new::<Sha256>(),
            Self::Sha384 => Pkcs1v15Sign::new::<Sha384>(),
            Self::Sha512 => Pkcs1v15Sign::new::<Sha512>(),
        }
    }
}

/// What came of a signature.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Outcome {
    Holds,
    Broken,
    /// An algorithm, curve or key that is not known here.
    Unknown(String),
}

/// Verifies `signature` over `message` with a certificate's key. `beside` is the digest algorithm that stands beside the signature's.
pub(super) fn verify(
    key: &SubjectPublicKeyInfoOwned,
    algorithm: &AlgorithmIdentifierOwned,
    beside: Option<Hash>,
    message: &[u8],
    signature: &[u8],
) -> Outcome {
    let unknown = |what: &str, oid: &ObjectIdentifier| Outcome::Unknown(format!("{what} {oid}"));
    let Some(hash) = Hash::of_signature(&algorithm.oid, beside) else {
        return unknown("the signature algorithm", &algorithm.oid);
    };
    let digest = hash.digest(message);
    let bytes = key.subject_public_key.raw_bytes();
    let held = match key.algorithm.oid {
        RSA => RsaPublicKey::from_pkcs1_der(bytes).is_ok_and(|k| k.verify(hash.padding(), &digest, signature).is_ok()),
        EC => {
            let curve = key.algorithm.parameters.as_ref().and_then(|p| p.to_der().ok());
            let is = |curve_oid: ObjectIdentifier| curve_oid.to_der().ok() == curve && curve.is_some();
            if is(P_256) {
                use p256::ecdsa::{Signature, VerifyingKey};
                VerifyingKey::from_sec1_bytes(bytes)
                    .ok()
                    .zip(Signature::from_der(signature).ok())
                    .is_some_and(|(k, s)| k.verify_prehash(&digest, &s).is_ok())
            } else if is(P_384) {
                use p384::ecdsa::{Signature, VerifyingKey};
                VerifyingKey::from_sec1_bytes(bytes)
                    .ok()
                    .zip(Signature::from_der(signature).ok())
                    .is_some_and(|(k, s)| k.verify_prehash(&digest, &s).is_ok())
            } else {
                return Outcome::Unknown("the curve of a key".to_owned());
            }
        }
        other => return unknown("the kind of key", &other),
    };
    if held { Outcome::Holds } else { Outcome::Broken }
}
