//! What comes of holding the outside against a session.

use serde::Serialize;

/// How far a head reaches into a test: what came before it cannot have been changed since.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CoverDoc {
    /// The test; its sealed plan is covered in any case.
    pub test: String,
    /// Answers that were in the log by then.
    pub answers: usize,
    /// Answers that are in it now.
    pub of: usize,
}

/// A receipt and whether it fits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReceiptDoc {
    /// The file; null for one that is kept in the session.
    pub path: Option<String>,
    /// Whose it is; null where the session does not know.
    pub listener: Option<String>,
    /// The test.
    pub test: String,
    /// Its trials.
    pub trials: usize,
    /// Answers of this listener to this test in the log.
    pub answers: usize,
    /// Every trial of it is in the log as the listener has it.
    pub fits: bool,
}

/// A published fingerprint and where it lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PublishedDoc {
    /// The digits.
    pub digits: String,
    /// The log entry after which the chain had that head; null where it never had it.
    pub entry: Option<i64>,
    /// When that entry was written, by the session's clock.
    pub at: Option<String>,
    /// How far it reaches, by test.
    pub covers: Vec<CoverDoc>,
}

/// A time stamp and where its head lies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StampDoc {
    /// The file; null for one that is kept in the session.
    pub path: Option<String>,
    /// Who signed it.
    pub signer: String,
    /// The authority's time.
    pub at: String,
    /// The head that was stamped.
    pub head_sha256: String,
    /// The log entry after which the chain had that head; null where it never had it.
    pub entry: Option<i64>,
    /// True when the chain of certificates leads to an authority that was given.
    pub authority_checked: bool,
    /// False when it answers another request than the one that this program writes for that head; null when it holds no nonce.
    pub nonce_fits: Option<bool>,
    /// How far it reaches, by test.
    pub covers: Vec<CoverDoc>,
}

/// Who vouches for one test.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TestWitnessDoc {
    /// The test.
    pub test: String,
    /// Listeners who answered.
    pub listeners: usize,
    /// Those of them whose receipts were shown and fit.
    pub with_receipts: usize,
    /// True when something outside vouches for it.
    pub witnessed: bool,
    /// In words.
    pub sentence: String,
}

/// Who vouches.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct WitnessesDoc {
    /// The whole in one sentence.
    pub sentence: String,
    /// By test.
    pub tests: Vec<TestWitnessDoc>,
    /// Receipts, given and kept.
    pub receipts: Vec<ReceiptDoc>,
    /// The published fingerprint that was asked about.
    pub published: Option<PublishedDoc>,
    /// Time stamps, given and kept.
    pub timestamps: Vec<StampDoc>,
}
