//! `audit`: verifies hashes, chain and commitments, recomputes every verdict, and says who outside vouches for it.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use crate::report::text::count;
use crate::verdict::asked::{Asked, AskedDoc, audit_asked};
use crate::verdict::outside::Outside;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = r#"What it sees, and what it cannot see:
  a row, a file or a trigger edited, rows swapped:
    seen; log, rows, schema and files are held against each other
  the log rewritten with its chain as well:
    seen with a receipt, a published fingerprint or a time stamp from before
  the folder copied, and played until one copy suits:
    seen with a receipt, fingerprint or stamp of another copy, or with that copy
  a whole session written by one who is engineer and listener at once:
    not seen; nothing inside can show it, and the report says "unwitnessed"
  what came after the last receipt, fingerprint or stamp:
    not seen; each vouches for what lies before it

Example:
  cabjury audit evening
  cabjury audit evening --receipts receipt-kim.json receipt-lou.json
  cabjury audit evening --published 'cabjury 0123... test-1 89ab...'
  cabjury audit evening --timestamp-query head.tsq
  cabjury audit evening --timestamp head.tsr --authority authority.pem
  cabjury audit evening other-copy"#;

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,
    /// Another session or copy: what both share, and where they part.
    pub(crate) other: Option<PathBuf>,

    /// Receipts that listeners took home.
    #[arg(long, value_name = "FILE", num_args = 1..)]
    pub(crate) receipts: Vec<PathBuf>,
    /// A fingerprint that was published, its digits or the whole line: does it lie in this chain, and where?
    #[arg(long, value_name = "HEX")]
    pub(crate) published: Option<String>,
    /// Writes a request for a time stamp over the head (RFC 3161), to be sent to an authority.
    #[arg(long, value_name = "OUT")]
    pub(crate) timestamp_query: Option<PathBuf>,
    /// An authority's answer to such a request.
    #[arg(long, value_name = "FILE")]
    pub(crate) timestamp: Option<PathBuf>,
    /// Certificates (PEM) that the stamp's signature has to lead to.
    #[arg(long, value_name = "PEM", requires = "timestamp")]
    pub(crate) authority: Option<PathBuf>,
    /// Receipts and time stamps that fit are not kept in the session's log.
    #[arg(long)]
    pub(crate) keep_nothing: bool,
}

/// Audits and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let asked = Asked {
        outside: Outside {
            receipts: args.receipts.clone(),
            published: args.published.clone(),
            timestamp: args.timestamp.clone(),
            authority: args.authority.clone(),
        },
        other: args.other.clone(),
        query: args.timestamp_query.clone(),
        keep_nothing: args.keep_nothing,
    };
    let doc = audit_asked(&args.folder, &asked, &SystemClock)?;
    inside(&doc, shell);
    outside(&doc, shell);
    if let Some(path) = args.timestamp_query.as_ref().filter(|_| doc.timestamp_query.is_none()) {
        shell.say(&format!("{} was not written: nobody should vouch for a session that does not verify", path.display()));
    }
    shell.say(if doc.audit.ok { "everything verifies" } else { "this session does not verify" });
    shell.document(&doc);
    Ok(if doc.audit.ok { Outcome::Done } else { Outcome::Unfit })
}

fn inside(doc: &AskedDoc, shell: &mut Shell) {
    let doc = &doc.audit;
    for verdict in &doc.verdicts {
        shell.say(&format!("{}: {}", verdict.test, verdict.sentence));
    }
    for problem in &doc.problems {
        shell.say(&format!("PROBLEM {}: {}", problem.place, problem.what));
    }
    for remark in &doc.remarks {
        shell.say(&format!("remark {}: {}", remark.place, remark.what));
    }
    shell.say(&format!("{} log entries, head {}", doc.records, doc.head_sha256));
    if doc.void_trials > 0 {
        let trials = count(doc.void_trials as usize, "void trial, whose commitment stays", "void trials, whose commitments stay");
        shell.say(&format!("{trials} unopened"));
    }
    if doc.unverified_files > 0 {
        shell.say(&format!(
            "{} not in this copy and could not be looked at",
            count(doc.unverified_files as usize, "recording or clip is", "recordings and clips are")
        ));
    }
}

/// Who vouches, what the other copy says, what was written.
fn outside(doc: &AskedDoc, shell: &mut Shell) {
    let found = &doc.audit.witnesses;
    for receipt in found.receipts.iter().filter(|r| r.answers > r.trials && r.fits) {
        let (place, who) = (receipt.path.as_deref().unwrap_or("a kept receipt"), receipt.listener.as_deref().unwrap_or("?"));
        let (n, all) = (receipt.trials, receipt.answers);
        shell.say(&format!("{place}: {n} of {all} answers of {who} to {}; it says nothing of the others", receipt.test));
    }
    if let Some(published) = &found.published
        && let (Some(entry), Some(at)) = (published.entry, &published.at)
    {
        shell.say(&format!("published {}: the head after log entry {entry}, written at {at}", published.digits));
    }
    for stamp in &found.timestamps {
        if let Some(entry) = stamp.entry {
            shell.say(&format!("time stamp of {} by {}: the head after log entry {entry}", stamp.at, stamp.signer));
        }
        if stamp.nonce_fits == Some(false) {
            shell.say("  it answers a request of another program for the same head");
        }
    }
    if !found.sentence.is_empty() {
        shell.say(&found.sentence);
    }
    if let Some(copies) = &doc.copies {
        shell.say(&format!("{}: {}", copies.other, copies.sentence));
        for (where_, part) in [("here", &copies.here), ("there", &copies.there)] {
            if let Some(part) = part {
                let entries = count(part.entries, "entry", "entries");
                shell.say(&format!("  {where_} it goes on with {entries}: {} {} at {}", part.what, part.subject, part.at));
            }
        }
    }
    if let Some(path) = &doc.timestamp_query {
        shell.say(&format!("written: {path}; send it to a time-stamping authority as application/timestamp-query"));
    }
    if doc.kept > 0 {
        shell.say(&format!("{} kept in the session's log from now on", count(doc.kept, "witness is", "witnesses are")));
    }
    if let Some(why) = &doc.not_kept {
        shell.say(&format!("what fits was not kept in the session: {why}"));
    }
}
