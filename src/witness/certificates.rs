//! The chain from the certificate that signed a time stamp up to an authority that the engineer trusts.

use super::signature::{Outcome, verify};
use super::stamp_error::StampError;
use cms::cert::{CertificateChoices, IssuerAndSerialNumber};
use cms::signed_data::{CertificateSet, SignerIdentifier};
use der::asn1::ObjectIdentifier;
use der::{DecodePem, Encode};
use x509_cert::Certificate;
use x509_cert::ext::pkix::{BasicConstraints, ExtendedKeyUsage, SubjectKeyIdentifier};

/// RFC 3161 section 2.3: the certificate's extended key usage has this one purpose, and is critical.
const TIME_STAMPING: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.3.6.1.5.5.7.3.8");

/// Most links of a chain that are followed.
const LONGEST: usize = 8;

fn broken(what: impl Into<String>) -> StampError {
    StampError::NotValid { what: what.into() }
}

/// Certificates of a PEM file.
pub(super) fn of_pem(pem: &[u8]) -> Result<Vec<Certificate>, StampError> {
    let text = std::str::from_utf8(pem).map_err(|_| StampError::NotCertificates)?;
    const END: &str = "-----END CERTIFICATE-----";
    let mut all = Vec::new();
    for part in text.split_inclusive(END).filter(|p| p.contains(END)) {
        let begin = part.find("-----BEGIN CERTIFICATE-----").ok_or(StampError::NotCertificates)?;
        all.push(Certificate::from_pem(&part.as_bytes()[begin..]).map_err(|_| StampError::NotCertificates)?);
    }
    if all.is_empty() { Err(StampError::NotCertificates) } else { Ok(all) }
}

/// Certificates that lie in the answer itself.
pub(super) fn enclosed(set: Option<&CertificateSet>) -> Vec<Certificate> {
    let certificate = |choice: &CertificateChoices| match choice {
        CertificateChoices::Certificate(c) => Some(c.clone()),
        CertificateChoices::Other(_) => None,
    };
    set.map(|s| s.0.iter().filter_map(certificate).collect()).unwrap_or_default()
}

/// The certificate that a signature names.
pub(super) fn signer<'a>(all: &[&'a Certificate], sid: &SignerIdentifier) -> Option<&'a Certificate> {
    all.iter().copied().find(|c| match sid {
        SignerIdentifier::IssuerAndSerialNumber(IssuerAndSerialNumber { issuer, serial_number }) => {
            c.tbs_certificate.issuer == *issuer && c.tbs_certificate.serial_number == *serial_number
        }
        SignerIdentifier::SubjectKeyIdentifier(wanted) => {
            c.tbs_certificate.get::<SubjectKeyIdentifier>().ok().flatten().is_some_and(|(_, id)| id == *wanted)
        }
    })
}

/// The certificate may sign time stamps and nothing else.
pub(super) fn may_stamp(certificate: &Certificate) -> Result<(), StampError> {
    let usage = certificate.tbs_certificate.get::<ExtendedKeyUsage>().ok().flatten();
    match usage {
        Some((true, usage)) if usage.0 == [TIME_STAMPING] => Ok(()),
        _ => Err(broken("the certificate that signed it is not one for time stamps alone (extended key usage)")),
    }
}

fn valid_at(certificate: &Certificate, seconds: u64) -> bool {
    let validity = &certificate.tbs_certificate.validity;
    (validity.not_before.to_unix_duration().as_secs()..=validity.not_after.to_unix_duration().as_secs()).contains(&seconds)
}

fn issued(issuer: &Certificate, certificate: &Certificate) -> Result<bool, StampError> {
    if issuer.tbs_certificate.subject != certificate.tbs_certificate.issuer {
        return Ok(false);
    }
    let ca = issuer.tbs_certificate.get::<BasicConstraints>().ok().flatten().is_some_and(|(_, b)| b.ca);
    let message = certificate.tbs_certificate.to_der().map_err(|_| broken("a certificate cannot be read"))?;
    let key = &issuer.tbs_certificate.subject_public_key_info;
    match verify(key, &certificate.signature_algorithm, None, &message, certificate.signature.raw_bytes()) {
        Outcome::Holds => Ok(ca),
        Outcome::Broken => Ok(false),
        Outcome::Unknown(what) => Err(StampError::Unknown { what }),
    }
}

/// Follows the chain from `signer` to one of `trusted`, by the certificates of `between`; each link signed, and valid at `seconds`.
pub(super) fn chain(
    signer: &Certificate,
    between: &[Certificate],
    trusted: &[Certificate],
    seconds: u64,
) -> Result<(), StampError> {
    let mut at = signer.clone();
    for _ in 0..LONGEST {
        if !valid_at(&at, seconds) {
            return Err(broken(format!("the certificate of {} was not valid at the stamp's time", at.tbs_certificate.subject)));
        }
        if trusted.contains(&at) {
            return Ok(());
        }
        for authority in trusted {
            if issued(authority, &at)? {
                return if valid_at(authority, seconds) {
                    Ok(())
                } else {
                    Err(broken(format!(
                        "the certificate of {} was not valid at the stamp's time",
                        authority.tbs_certificate.subject
                    )))
                };
            }
        }
        let mut next = None;
        for candidate in between.iter().filter(|c| **c != at) {
            if issued(candidate, &at)? {
                next = Some(candidate.clone());
                break;
            }
        }
        match next {
            Some(issuer) => at = issuer,
            None => break,
        }
    }
    Err(StampError::OtherAuthority { signer: signer.tbs_certificate.subject.to_string() })
}
