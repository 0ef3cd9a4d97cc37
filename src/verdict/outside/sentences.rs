//! Who vouches, in words.

use super::docs::{CoverDoc, ReceiptDoc, TestWitnessDoc, WitnessesDoc};
use super::inside::{Inside, Span};
use std::collections::BTreeSet;

/// What is said where nothing outside vouches.
pub const UNWITNESSED: &str =
    "Unwitnessed: engineer and listener could have been one; nothing outside of this folder vouches for it.";

/// What is said where something inside does not hold.
const BROKEN: &str = "Nobody can vouch for it: the session itself does not verify.";

/// How far something reaches, in words that go before it.
fn reach(cover: &CoverDoc) -> String {
    match (cover.answers, cover.of) {
        (0, _) => "its sealed plan, before the first answer, ".to_owned(),
        (n, of) if n == of => String::new(),
        (n, of) => format!("its first {n} of {of} answers "),
    }
}

/// One test: with receipts, a published head, stamps.
fn of_test(test: &str, span: &Span, doc: &WitnessesDoc) -> TestWitnessDoc {
    let mut parts = Vec::new();
    let of = |r: &&ReceiptDoc| r.test == test && r.listener.as_ref().is_some_and(|l| span.listeners.contains(l));
    let holders: BTreeSet<&String> =
        doc.receipts.iter().filter(of).filter(|r| r.fits).filter_map(|r| r.listener.as_ref()).collect();
    if !holders.is_empty() {
        let kept = doc.receipts.iter().filter(of).all(|r| r.path.is_none());
        let asked = if kept { " (shown before; ask them for theirs)" } else { "" };
        let (n, all) = (holders.len(), span.listeners.len());
        parts.push(match (n, all) {
            (1, 1) => format!("the listener holds a receipt that fits{asked}"),
            (1, _) => format!("1 of {all} listeners holds a receipt that fits{asked}"),
            _ => format!("{n} of {all} listeners hold receipts that fit{asked}"),
        });
    }
    let cover = |covers: &[CoverDoc]| covers.iter().find(|c| c.test == test).cloned();
    if let Some(published) = &doc.published
        && let Some(cover) = cover(&published.covers)
    {
        let what = reach(&cover);
        parts.push(format!("{what}{}in the published {}", if what.is_empty() { "" } else { "lies " }, published.digits));
    }
    for stamp in &doc.timestamps {
        if let Some(cover) = cover(&stamp.covers) {
            let unchecked = if stamp.authority_checked { "" } else { " (an authority that was not checked)" };
            parts.push(format!("{}stamped by {} at {}{unchecked}", reach(&cover), stamp.signer, stamp.at));
        }
    }
    let witnessed = !parts.is_empty();
    let misfit = doc.receipts.iter().any(|r| r.test == test && !r.fits);
    if misfit && witnessed {
        parts.push("a receipt does not fit".to_owned());
    }
    TestWitnessDoc {
        test: test.to_owned(),
        listeners: span.listeners.len(),
        with_receipts: holders.len(),
        witnessed,
        sentence: match (witnessed, misfit) {
            (true, _) => format!("Who vouches: {}.", parts.join("; ")),
            (false, true) => "Nobody vouches for it: a receipt does not fit.".to_owned(),
            (false, false) => UNWITNESSED.to_owned(),
        },
    }
}

/// Puts it into words, for each test and for the whole. `holds`: nothing else is wrong with the session.
pub(super) fn say(inside: &Inside, holds: bool, doc: &mut WitnessesDoc) {
    doc.tests = inside.tests.iter().map(|(test, span)| of_test(test, span, doc)).collect();
    if !holds {
        doc.tests.iter_mut().for_each(|t| {
            BROKEN.clone_into(&mut t.sentence);
            t.witnessed = false;
        });
        BROKEN.clone_into(&mut doc.sentence);
        return;
    }
    let said: Vec<String> =
        doc.tests.iter().filter(|t| t.sentence != UNWITNESSED).map(|t| format!("{}: {}", t.test, t.sentence)).collect();
    doc.sentence = if said.is_empty() { UNWITNESSED.to_owned() } else { said.join(" ") };
}
