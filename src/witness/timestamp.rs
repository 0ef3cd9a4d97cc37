//! Time stamps by RFC 3161: a request over the head of a chain, and the answer of a time-stamping authority verified.
//!
//! What is stamped is the head itself (it is a SHA-256), so that general tools verify the same answer:
//! `openssl ts -verify -digest HEAD -in ANSWER.tsr -CAfile AUTHORITY.pem`.

use super::certificates::{chain, enclosed, may_stamp, of_pem, signer};
use super::signature::{Hash, Outcome, SHA_256, verify as verify_signature};
pub use super::stamp_error::StampError;
use crate::model::audio::Sha256Hex;
use crate::model::digest::{hex, unhex};
use cms::content_info::ContentInfo;
use cms::signed_data::{SignedData, SignerInfo};
use der::asn1::{Int, ObjectIdentifier, OctetString};
use der::{Any, Decode, Encode};
use jiff::Timestamp;
use x509_cert::Certificate;
use x509_cert::spki::AlgorithmIdentifier;
use x509_tsp::{MessageImprint, TimeStampReq, TimeStampResp, TspVersion, TstInfo};

// RFC 5652 sections 5.1, 11.1, 11.2; RFC 3161 section 2.4.2; RFC 5035 section 3.
const SIGNED_DATA: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.7.2");
const TST_INFO: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.1.4");
const CONTENT_TYPE: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.3");
const MESSAGE_DIGEST: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.4");
const SIGNING_CERTIFICATE_V2: ObjectIdentifier = ObjectIdentifier::new_unwrap("1.2.840.113549.1.9.16.2.47");

/// Largest answer that is looked at; real ones have a few kilobytes.
pub const LARGEST: usize = 256 * 1024;

/// A time stamp whose signature holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stamp {
    /// The head that was stamped.
    pub head: Sha256Hex,
    /// The authority's time.
    pub at: Timestamp,
    /// How far that time may be off, where the authority says so, in seconds (rounded up).
    pub accuracy_s: Option<u64>,
    /// Who signed: the certificate's subject.
    pub signer: String,
    /// Number of the stamp at its authority, hexadecimal.
    pub serial: String,
    /// The request's nonce, hexadecimal, where there was one.
    pub nonce: Option<String>,
    /// True when the chain of certificates leads to an authority that was given; false when none was given.
    pub authority_checked: bool,
}

/// A request over a head with a nonce of the caller's: what is sent to an authority as `application/timestamp-query`.
///
/// # Errors
/// [`StampError::NotAnAnswer`] when it cannot be encoded, which does not happen with a SHA-256 and 8 bytes.
pub fn query(head: &Sha256Hex, nonce: [u8; 8]) -> Result<Vec<u8>, StampError> {
    let failed = |_| StampError::NotAnAnswer { what: "the request cannot be encoded".to_owned() };
    // The first byte stays below 0x80 and above zero: the number is positive and has its shortest form.
    let mut positive = nonce;
    positive[0] = (positive[0] & 0x7f) | 0x40;
    let request = TimeStampReq {
        version: TspVersion::V1,
        message_imprint: MessageImprint {
            hash_algorithm: AlgorithmIdentifier { oid: SHA_256, parameters: Some(Any::null()) },
            hashed_message: OctetString::new(unhex(head.as_str()).unwrap_or_default()).map_err(failed)?,
        },
        req_policy: None,
        nonce: Some(Int::new(&positive).map_err(failed)?),
        cert_req: true,
        extensions: None,
    };
    request.to_der().map_err(failed)
}

/// The nonce of a request, hexadecimal: an answer to it carries the same one.
#[must_use]
pub fn nonce_of(request: &[u8]) -> Option<String> {
    TimeStampReq::from_der(request).ok()?.nonce.map(|n| hex(n.as_bytes()))
}

fn not_valid(what: &str) -> StampError {
    StampError::NotValid { what: what.to_owned() }
}

fn not_answer(what: &str) -> StampError {
    StampError::NotAnAnswer { what: what.to_owned() }
}

/// The token of an answer, or a bare token.
fn token(answer: &[u8]) -> Result<ContentInfo, StampError> {
    if answer.len() > LARGEST {
        return Err(not_answer("it is larger than 256 kB"));
    }
    match TimeStampResp::from_der(answer) {
        Ok(response) => {
            use cmpv2::status::PkiStatus::{Accepted, GrantedWithMods};
            if !matches!(response.status.status, Accepted | GrantedWithMods) {
                return Err(StampError::NotGranted { status: format!("{:?}", response.status.status) });
            }
            response.time_stamp_token.ok_or_else(|| not_answer("it holds no stamp"))
        }
        Err(_) => ContentInfo::from_der(answer).map_err(|_| not_answer("its bytes cannot be read as one")),
    }
}

/// The value of a signed attribute that occurs once with one value.
fn attribute(info: &SignerInfo, oid: ObjectIdentifier) -> Option<Any> {
    let mut found = info.signed_attrs.as_ref()?.iter().filter(|a| a.oid == oid);
    let only = found.next()?;
    (found.next().is_none() && only.values.len() == 1).then(|| only.values.get(0).cloned()).flatten()
}

/// RFC 5035: the signed attributes name the signing certificate by its hash (SHA-256 unless another is said).
fn names_its_certificate(info: &SignerInfo, certificate: &Certificate) -> Result<(), StampError> {
    let missing = || not_valid("it does not name the certificate that signed it (signing certificate attribute, version 2)");
    let attribute = attribute(info, SIGNING_CERTIFICATE_V2).ok_or_else(missing)?;
    let der = certificate.to_der().map_err(|_| not_valid("a certificate cannot be read"))?;
    // SigningCertificateV2 ::= SEQUENCE { certs SEQUENCE OF ESSCertIDv2, ... }; the first ESSCertIDv2 is the signer's.
    let certs: Vec<Any> = Vec::<Any>::from_der(&attribute.to_der().map_err(|_| missing())?).map_err(|_| missing())?;
    let ids: Vec<Any> = certs.first().and_then(|c| c.to_der().ok()).and_then(|d| Vec::from_der(&d).ok()).ok_or_else(missing)?;
    let id: Vec<Any> = ids.first().and_then(|c| c.to_der().ok()).and_then(|d| Vec::from_der(&d).ok()).ok_or_else(missing)?;
    let (hash, digest) = match id.as_slice() {
        [digest, ..] if digest.decode_as::<OctetString>().is_ok() => (Hash::Sha256, digest),
        [algorithm, digest, ..] => {
            let der = algorithm.to_der().map_err(|_| missing())?;
            let named = AlgorithmIdentifier::<Any>::from_der(&der).map_err(|_| missing())?;
            let hash = Hash::named(&named.oid)
                .ok_or_else(|| StampError::Unknown { what: format!("the hash {} of its certificate", named.oid) })?;
            (hash, digest)
        }
        _ => return Err(missing()),
    };
    let digest: OctetString = digest.decode_as().map_err(|_| missing())?;
    if digest.as_bytes() == hash.digest(&der) {
        Ok(())
    } else {
        Err(not_valid("it names another certificate than the one that signed it"))
    }
}

/// Verifies an answer: what it stamps, its signature, and, where `authority` holds certificates (PEM), the chain to one of them at the stamp's
/// time. Revocation is not looked at: that needs the network.
///
/// # Errors
/// [`StampError`] says what does not hold.
pub fn verify(answer: &[u8], authority: Option<&[u8]>) -> Result<Stamp, StampError> {
    let token = token(answer)?;
    if token.content_type != SIGNED_DATA {
        return Err(not_answer("its content is not signed data"));
    }
    let content = token.content.to_der().map_err(|_| not_answer("its content cannot be read"))?;
    let signed = SignedData::from_der(&content).map_err(|_| not_answer("its signed data cannot be read"))?;
    if signed.encap_content_info.econtent_type != TST_INFO {
        return Err(not_answer("what is signed is not a time stamp"));
    }
    let encapsulated = signed.encap_content_info.econtent.as_ref().ok_or_else(|| not_answer("it is empty"))?;
    let stamped: OctetString = encapsulated.decode_as().map_err(|_| not_answer("it is empty"))?;
    let info = TstInfo::from_der(stamped.as_bytes()).map_err(|_| not_answer("the stamp cannot be read"))?;
    let [signature] = signed.signer_infos.0.as_slice() else { return Err(not_valid("it needs exactly one signature")) };
    let given = authority.map(of_pem).transpose()?.unwrap_or_default();
    let inside = enclosed(signed.certificates.as_ref());
    let everything: Vec<&Certificate> = inside.iter().chain(&given).collect();
    let certificate = signer(&everything, &signature.sid)
        .ok_or_else(|| not_valid("the certificate that signed it is neither in it nor among those given"))?;
    signature_holds(signature, certificate, stamped.as_bytes())?;
    names_its_certificate(signature, certificate)?;
    may_stamp(certificate)?;
    let seconds = info.gen_time.to_unix_duration().as_secs();
    if !given.is_empty() {
        chain(certificate, &inside, &given, seconds)?;
    }
    describe(&info, certificate, seconds, !given.is_empty())
}

fn signature_holds(signature: &SignerInfo, certificate: &Certificate, stamped: &[u8]) -> Result<(), StampError> {
    let hash = Hash::named(&signature.digest_alg.oid)
        .ok_or_else(|| StampError::Unknown { what: format!("the hash {}", signature.digest_alg.oid) })?;
    let attributes = signature.signed_attrs.as_ref().ok_or_else(|| not_valid("it has no signed attributes"))?;
    let kind: Option<ObjectIdentifier> = attribute(signature, CONTENT_TYPE).and_then(|a| a.decode_as().ok());
    let digest: Option<OctetString> = attribute(signature, MESSAGE_DIGEST).and_then(|a| a.decode_as().ok());
    if kind != Some(TST_INFO) || digest.is_none_or(|d| d.as_bytes() != hash.digest(stamped)) {
        return Err(not_valid("its signed attributes are not about this stamp"));
    }
    // RFC 5652 section 5.4: what is signed is the attributes as a SET OF, not as the implicitly tagged field.
    let message = attributes.to_der().map_err(|_| not_valid("its signed attributes cannot be read"))?;
    let key = &certificate.tbs_certificate.subject_public_key_info;
    match verify_signature(key, &signature.signature_algorithm, Some(hash), &message, signature.signature.as_bytes()) {
        Outcome::Holds => Ok(()),
        Outcome::Broken => Err(not_valid("its signature is not that of its certificate")),
        Outcome::Unknown(what) => Err(StampError::Unknown { what }),
    }
}

fn describe(info: &TstInfo, certificate: &Certificate, seconds: u64, authority_checked: bool) -> Result<Stamp, StampError> {
    if info.message_imprint.hash_algorithm.oid != SHA_256 {
        return Err(not_valid("it stamps another kind of hash than SHA-256"));
    }
    let head = hex(info.message_imprint.hashed_message.as_bytes());
    let at = i64::try_from(seconds).ok().and_then(|s| Timestamp::from_second(s).ok());
    let accuracy = info.accuracy.as_ref().map(|a| {
        let part = a.millis.is_some_and(|m| m > 0) || a.micros.is_some_and(|m| m > 0);
        a.seconds.unwrap_or(0).saturating_add(u64::from(part))
    });
    Ok(Stamp {
        head: Sha256Hex::parse(&head).map_err(|_| not_valid("it stamps something else than a SHA-256"))?,
        at: at.ok_or_else(|| not_valid("its time cannot be read"))?,
        accuracy_s: accuracy,
        signer: certificate.tbs_certificate.subject.to_string(),
        serial: hex(info.serial_number.as_bytes()),
        nonce: info.nonce.as_ref().map(|n| hex(n.as_bytes())),
        authority_checked,
    })
}
