//! Time stamps held against the chain, and the request for one.

use super::docs::StampDoc;
use super::files::{not_what_was_meant, small};
use super::inside::Inside;
use super::kept_stamp::{Found, KeptStamp};
use crate::model::audio::Sha256Hex;
use crate::model::digest::{hex, unhex};
use crate::model::failure::Failure;
use crate::verdict::promises::Problem;
use crate::witness::timestamp::{LARGEST, Stamp, StampError, nonce_of, query, verify};
use std::path::Path;

/// What stands in front of session and head when a request's nonce is made.
const TAG: &str = "cabjury time stamp 1\n";

/// The request over a head. Its nonce is made of session and head: the answer can be held against it without the request being kept, and
/// an answer to another head has another one.
pub(crate) fn request(session_id: &str, head: &Sha256Hex) -> Result<Vec<u8>, Failure> {
    let hash = Sha256Hex::of(format!("{TAG}{session_id}\n{head}").as_bytes());
    let bytes = unhex(hash.as_str()).unwrap_or_default();
    let nonce: [u8; 8] = std::array::from_fn(|i| bytes.get(i).copied().unwrap_or(0));
    Ok(query(head, nonce)?)
}

fn place(inside: &Inside, path: Option<&Path>, stamp: Stamp, problems: &mut Vec<Problem>) -> StampDoc {
    let entry = inside.heads.get(stamp.head.as_str()).map(|at| at.0);
    if entry.is_none() {
        let place = path.map_or_else(|| "a kept time stamp".to_owned(), |p| p.display().to_string());
        let what = format!(
            "{} stamped a head at {} that the chain of this session never had: the log was written anew, or this is another copy",
            stamp.signer, stamp.at
        );
        problems.push(Problem { place, what });
    }
    let wanted = request(&inside.session_id, &stamp.head).ok().and_then(|r| nonce_of(&r));
    StampDoc {
        path: path.map(|p| p.display().to_string()),
        signer: stamp.signer,
        at: stamp.at.to_string(),
        head_sha256: stamp.head.to_string(),
        entry,
        authority_checked: stamp.authority_checked,
        nonce_fits: stamp.nonce.map(|nonce| Some(nonce) == wanted),
        covers: entry.map(|e| inside.covers(e)).unwrap_or_default(),
    }
}

/// Those that the session keeps.
pub(super) fn kept(inside: &Inside, found: &mut Found<'_>) {
    let mut problems = Vec::new();
    for text in &inside.kept_stamps {
        let verified = serde_json::from_str::<KeptStamp>(text).map_err(|e| e.to_string()).and_then(|kept| {
            let authority = kept.authority.as_deref().map(str::as_bytes);
            verify(&unhex(&kept.answer).unwrap_or_default(), authority).map_err(|e| e.to_string())
        });
        match verified {
            Ok(stamp) => found.docs.push(place(inside, None, stamp, &mut problems)),
            Err(what) => problems.push(Problem { place: "a kept time stamp".to_owned(), what }),
        }
    }
    if !inside.rescued {
        found.problems.append(&mut problems);
    }
}

/// One from a file, with the certificates that it has to lead to.
pub(super) fn given(inside: &Inside, path: &Path, authority: Option<&Path>, found: &mut Found<'_>) -> Result<(), Failure> {
    let answer = small(path, LARGEST as u64)?;
    let authority = authority.map(|p| small(p, LARGEST as u64)).transpose()?;
    let stamp = match verify(&answer, authority.as_deref()) {
        Ok(stamp) => stamp,
        Err(e @ (StampError::NotAnAnswer { .. } | StampError::NotCertificates | StampError::Unknown { .. })) => {
            return Err(not_what_was_meant(path, &e));
        }
        Err(e) => {
            found.problems.push(Problem { place: path.display().to_string(), what: e.to_string() });
            return Ok(());
        }
    };
    let doc = place(inside, Some(path), stamp, found.problems);
    let authority = authority.map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let new = KeptStamp { answer: hex(&answer), authority };
    let known = serde_json::to_string(&new).is_ok_and(|text| inside.kept_stamps.contains(&text));
    if doc.entry.is_some() && !known {
        found.new.push(new);
    }
    found.docs.push(doc);
    Ok(())
}
