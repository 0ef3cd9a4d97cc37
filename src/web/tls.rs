//! Encrypted connections: a certificate that is given, or one of our own for a room whose phones need a secure page.

use super::names::Place;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use sha2::{Digest, Sha256};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// Where encryption comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Certificate {
    /// Files in PEM: the chain of certificates, and the private key.
    Given {
        /// The chain, the desk's own certificate first.
        chain: PathBuf,
        /// Its private key.
        key: PathBuf,
    },
    /// One of our own, in the session's `tls` folder; made when there is none.
    Own,
}

fn unfit(path: &Path, what: &str) -> Failure {
    let message = format!("{} {what}", path.display());
    Failure::at_path("certificate", Fate::Unfit, path, message, "give two PEM files: --tls CERTIFICATE KEY")
}

fn failed(path: &Path, error: &dyn std::fmt::Display) -> Failure {
    let message = format!("{} cannot be written: {error}", path.display());
    Failure::at_path("cannot-write", Fate::Failed, path, message, "check the folder and the free space")
}

/// What connections are taken with, and the fingerprint of the certificate (SHA-256, as browsers show it).
pub(super) fn acceptor(from: &Certificate, folder: &Path, place: &Place) -> Result<(TlsAcceptor, String), Failure> {
    let (chain_at, key_at) = match from {
        Certificate::Given { chain, key } => (chain.clone(), key.clone()),
        Certificate::Own => own(folder, place)?,
    };
    let read = CertificateDer::pem_file_iter(&chain_at).and_then(Iterator::collect::<Result<Vec<_>, _>>);
    let chain = read.map_err(|e| unfit(&chain_at, &format!("is not a certificate in PEM: {e}")))?;
    let Some(first) = chain.first() else { return Err(unfit(&chain_at, "holds no certificate")) };
    let print = Sha256::digest(first.as_ref()).iter().map(|b| format!("{b:02X}")).collect::<Vec<_>>().join(":");
    // What is wrong with a private key is not said in detail: it might show a piece of it.
    let key = PrivateKeyDer::from_pem_file(&key_at).map_err(|_| unfit(&key_at, "is not a private key in PEM"))?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| unfit(&chain_at, &format!("cannot be used: {e}")))?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(|e| unfit(&chain_at, &format!("and its key cannot be used: {e}")))?;
    Ok((TlsAcceptor::from(Arc::new(config)), print))
}

/// The session's own certificate, made when there is none for this address and name.
fn own(folder: &Path, place: &Place) -> Result<(PathBuf, PathBuf), Failure> {
    let at = folder.join("tls");
    let (chain, key, made_for) = (at.join("certificate.pem"), at.join("key.pem"), at.join("names.txt"));
    let mut names = vec!["localhost".to_owned(), "127.0.0.1".to_owned(), place.address.ip().to_string()];
    names.extend(place.public.as_ref().map(|public| public.name().to_owned()));
    names.sort();
    names.dedup();
    let wanted = names.join("\n");
    if chain.is_file() && key.is_file() && fs::read_to_string(&made_for).is_ok_and(|made| made == wanted) {
        return Ok((chain, key));
    }
    let made = rcgen::generate_simple_self_signed(names).map_err(|e| {
        Failure::plain("certificate", Fate::Failed, format!("no certificate can be made: {e}"), "give one with --tls")
    })?;
    fs::create_dir_all(&at).map_err(|e| failed(&at, &e))?;
    write(&key, made.signing_key.serialize_pem().as_bytes())?;
    write(&chain, made.cert.pem().as_bytes())?;
    write(&made_for, wanted.as_bytes())?;
    Ok((chain, key))
}

/// Written so that its owner alone can read it.
fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path).map_err(|e| failed(path, &e))?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(|e| failed(path, &e))
}
