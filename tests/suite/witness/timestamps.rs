//! Time stamps of an authority of the tests' own: OpenSSL's `ts` (RFC 3161) issues them, and verifies the same files.

use cabjury::model::audio::Sha256Hex;
use cabjury::model::explain::Explain;
use cabjury::witness::timestamp::{Stamp, StampError, nonce_of, query, verify};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn openssl(folder: &Path, args: &str) -> Vec<u8> {
    let done = Command::new("openssl")
        .args(args.split_whitespace())
        .current_dir(folder)
        .output()
        .expect("openssl is installed by tests/run");
    assert!(done.status.success(), "openssl {args}: {}", String::from_utf8_lossy(&done.stderr));
    done.stdout
}

/// A root and an authority that it vouches for.
pub(super) struct Authority {
    folder: tempfile::TempDir,
}

const CONFIG: &str = "\
[tsa]\ndefault_tsa = one\n[one]\nserial = serial\ndefault_policy = 1.2.3.4.1\ndigests = sha256, sha512\n\
accuracy = secs:1, millisecs:500\nordering = no\ness_cert_id_alg = sha256\n";

impl Authority {
    pub(super) fn new(key: &str, digest: &str, usage: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        fs::write(at.join("config"), format!("{CONFIG}signer_digest = {digest}\n")).unwrap();
        fs::write(at.join("extensions"), format!("extendedKeyUsage = {usage}\n")).unwrap();
        openssl(
            at,
            &format!("req -x509 -newkey {key} -nodes -keyout root.key -out root.pem -days 30 -subj /CN=invented-root -{digest}"),
        );
        openssl(at, &format!("req -newkey {key} -nodes -keyout tsa.key -out tsa.csr -subj /CN=invented-authority -{digest}"));
        openssl(
            at,
            &format!(
                "x509 -req -in tsa.csr -CA root.pem -CAkey root.key -CAcreateserial -out tsa.pem -days 20 -extfile extensions -{digest}"
            ),
        );
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(super) fn pem(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).unwrap()
    }

    /// Answers a request.
    pub(super) fn stamp(&self, request: &[u8]) -> Vec<u8> {
        fs::write(self.path("request.tsq"), request).unwrap();
        openssl(
            self.folder.path(),
            "ts -reply -config config -section one -queryfile request.tsq -signer tsa.pem -inkey tsa.key -chain root.pem -out answer.tsr",
        );
        self.pem("answer.tsr")
    }
}

fn head() -> Sha256Hex {
    Sha256Hex::of(b"the head of a chain")
}

const RSA: &str = "rsa:2048";
pub(super) const P_256: &str = "ec -pkeyopt ec_paramgen_curve:P-256";
const P_384: &str = "ec -pkeyopt ec_paramgen_curve:P-384";

#[test]
fn stamps_of_every_kind_of_key_hold_here_and_for_openssl() {
    for (key, digest) in [(RSA, "sha256"), (RSA, "sha512"), (P_256, "sha256"), (P_384, "sha384")] {
        let authority = Authority::new(key, digest, "critical,timeStamping");
        let request = query(&head(), [1, 2, 3, 4, 5, 6, 7, 8]).unwrap();
        let answer = authority.stamp(&request);
        let stamp = verify(&answer, Some(&authority.pem("root.pem"))).unwrap_or_else(|e| panic!("{key} {digest}: {e}"));
        assert_eq!(stamp.head, head());
        assert_eq!(stamp.nonce, nonce_of(&request));
        assert_eq!(stamp.signer, "CN=invented-authority");
        assert_eq!(stamp.accuracy_s, Some(2));
        assert!(stamp.authority_checked);
        assert!((jiff::Timestamp::now().as_second() - stamp.at.as_second()).abs() < 600);
        // The same file, by OpenSSL, against the digest that the tool shows.
        openssl(authority.folder.path(), &format!("ts -verify -digest {} -in answer.tsr -CAfile root.pem", head()));
        // Without an authority the signature is looked at, and the stamp says that nobody checked whose it is.
        assert_eq!(verify(&answer, None).unwrap(), Stamp { authority_checked: false, ..stamp });
    }
}

#[test]
fn openssl_reads_the_request_as_one_over_the_head() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("q.tsq"), query(&head(), [0xff; 8]).unwrap()).unwrap();
    let text = String::from_utf8(openssl(folder.path(), "ts -query -in q.tsq -text")).unwrap();
    let digits: String = text
        .lines()
        .filter(|l| l.trim_start().starts_with("0000 ") || l.trim_start().starts_with("0010 "))
        .flat_map(|l| l.split(" - ").nth(1).unwrap_or_default().chars().take(47))
        .filter(char::is_ascii_hexdigit)
        .collect();
    assert_eq!(digits, head().as_str(), "{text}");
    assert!(text.contains("Hash Algorithm: sha256") && text.contains("Certificate required: yes"), "{text}");
}

#[test]
fn every_byte_that_is_changed_is_noticed() {
    let authority = Authority::new(P_256, "sha256", "critical,timeStamping");
    let answer = authority.stamp(&query(&head(), [7; 8]).unwrap());
    let root = authority.pem("root.pem");
    let whole = verify(&answer, Some(&root)).unwrap();
    for at in 0..answer.len() {
        let mut changed = answer.clone();
        changed[at] ^= 1;
        // What is outside of signature and certificate may differ (the status' text); what the stamp says may not.
        if let Ok(stamp) = verify(&changed, Some(&root)) {
            assert_eq!(stamp, whole, "byte {at}");
        }
    }
    assert!(verify(&answer[..answer.len() - 1], Some(&root)).is_err());
}

#[test]
fn every_refusal_is_reached() {
    let authority = Authority::new(P_256, "sha256", "critical,timeStamping");
    let other = Authority::new(P_256, "sha256", "critical,timeStamping");
    let answer = authority.stamp(&query(&head(), [7; 8]).unwrap());
    let root = authority.pem("root.pem");
    let of = |answer: &[u8], authority: Option<&[u8]>| verify(answer, authority).unwrap_err();

    assert!(matches!(of(b"a letter", None), StampError::NotAnAnswer { .. }));
    assert!(matches!(of(&vec![0; 300_000], None), StampError::NotAnAnswer { .. }));
    assert!(matches!(of(&answer, Some(b"a letter")), StampError::NotCertificates));
    let OtherSigner { error, signer } = OtherSigner::of(of(&answer, Some(&other.pem("root.pem"))));
    assert_eq!(signer, "CN=invented-authority", "{error}");
    // A request that the authority does not accept: its policy knows no SHA-224.
    fs::write(authority.path("data"), b"x").unwrap();
    openssl(authority.folder.path(), "ts -query -data data -sha224 -no_nonce -out request.tsq");
    let request = authority.pem("request.tsq");
    assert_eq!(of(&authority.stamp(&request), Some(&root)).kind(), "stamp-not-granted");
    // A stamp over another kind of hash.
    openssl(authority.folder.path(), "ts -query -data data -sha512 -no_nonce -out request.tsq");
    let request = authority.pem("request.tsq");
    assert_eq!(of(&authority.stamp(&request), Some(&root)).kind(), "stamp-not-valid");
    // Keys that are not known here.
    let odd = Authority::new("ec -pkeyopt ec_paramgen_curve:P-521", "sha512", "critical,timeStamping");
    let error = of(&odd.stamp(&query(&head(), [7; 8]).unwrap()), None);
    assert_eq!(error.kind(), "stamp-unknown-algorithm");
    for error in [error, StampError::NotCertificates] {
        assert!(!error.to_string().is_empty() && !error.next().is_empty() && !error.kind().is_empty());
        assert_eq!(error.fate().exit_code(), 4);
    }
}

struct OtherSigner {
    error: StampError,
    signer: String,
}

impl OtherSigner {
    fn of(error: StampError) -> Self {
        let StampError::OtherAuthority { signer } = &error else { panic!("{error:?}") };
        assert_eq!(error.kind(), "stamp-other-authority");
        Self { signer: signer.clone(), error }
    }
}
