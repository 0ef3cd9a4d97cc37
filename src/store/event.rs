//! Every kind of event: what the log tells, written and read here and nowhere else.
//!
//! An entry has a `what`, a `subject` (the record's name) and a `body`. Records lie in the body byte for byte as they lie in their tables,
//! so that a replay of the log gives the very same rows. Secrets are not in it: of an invitation's code and a montage's nonce their SHA-256.

pub use super::kept::Kept;
use crate::model::audio::Sha256Hex;
use crate::model::ids::{ListenerCode, MontageId, SessionId, TakeId, TestId};
use crate::model::montage::{BlindMontage, VoteCount};
use crate::model::rig::Rig;
use crate::model::session::{Clip, Listener, MatchRun, MeterRecord, Take};
use crate::model::trial::{SealedTest, TrialRecord};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

/// Why the record of a take changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TakeChange {
    /// Taken out of use, with a reason.
    Withdrawn,
    /// Another setup, mic or pass.
    Reassigned,
    /// Something else, by its name.
    Other(String),
}

impl TakeChange {
    /// The change of that name.
    #[must_use]
    pub fn named(name: &str) -> Self {
        match name {
            "withdraw" => Self::Withdrawn,
            "reassign" => Self::Reassigned,
            other => Self::Other(other.to_owned()),
        }
    }

    /// Its `what` in the log.
    fn what(&self) -> String {
        match self {
            Self::Withdrawn => "withdraw".to_owned(),
            Self::Reassigned => "reassign".to_owned(),
            Self::Other(name) => format!("take-{name}"),
        }
    }
}

/// What happened without changing a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happening {
    /// A listener sat down, or the device changed.
    Listening,
    /// The level was set before the first trial.
    LevelSet,
    /// Setups were heard by name before the trials.
    TrainingHeard,
    /// Somebody listened outside the trials.
    Auditioned,
    /// A run sheet was drawn, with its order.
    RunSheetDrawn,
    /// A matching run was begun and given up.
    MatchRunGivenUp,
    /// The engineer confirmed something unusual, with a reason.
    Confirmed,
    /// A load that must not be connected was used all the same, with a reason.
    GateLifted,
    /// Gains were fixed for later takes.
    GainsFixed,
    /// A time stamp over the head was verified and is kept.
    Timestamped,
    /// Receipts of listeners are kept.
    ReceiptsKept,
    /// A test was published for an audience.
    HallPublished,
    /// What an audience answered was collected: a file, by its hash.
    HallCollected,
    /// The session was made again out of what was left of a damaged one; what was lost is in the body.
    Rescued,
}

impl Happening {
    /// All of them.
    pub const ALL: [Self; 14] = [
        Self::Listening,
        Self::LevelSet,
        Self::TrainingHeard,
        Self::Auditioned,
        Self::RunSheetDrawn,
        Self::MatchRunGivenUp,
        Self::Confirmed,
        Self::GateLifted,
        Self::GainsFixed,
        Self::Timestamped,
        Self::ReceiptsKept,
        Self::HallPublished,
        Self::HallCollected,
        Self::Rescued,
    ];

    /// Its `what` in the log.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Listening => "listen",
            Self::LevelSet => "level-set",
            Self::TrainingHeard => "training",
            Self::Auditioned => "audition",
            Self::RunSheetDrawn => "run-sheet",
            Self::MatchRunGivenUp => "match-given-up",
            Self::Confirmed => "confirm",
            Self::GateLifted => "gate-lifted",
            Self::GainsFixed => "gains",
            Self::Timestamped => "timestamp",
            Self::ReceiptsKept => "receipts",
            Self::HallPublished => "hall-published",
            Self::HallCollected => "hall-collected",
            Self::Rescued => "rescued",
        }
    }

    /// The one of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|h| h.name() == name)
    }
}

/// What a test was sealed under. It goes into the canonical plan, so that copies of a session diverge at the seal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SealContext {
    /// The session.
    pub session_id: SessionId,
    /// The head of the log before the seal.
    pub head: Sha256Hex,
    /// 32 bytes, hexadecimal.
    pub nonce: Sha256Hex,
}

/// That a test was given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct GivenUp {
    /// Why.
    pub reason: String,
}

/// What older programs never logged, told once by the migration.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unlogged {
    /// The schema that was found.
    pub from: i64,
    /// SHA-256 of the codes of invitations, in their order.
    pub invitations: Vec<InvitationBody>,
    /// SHA-256 of the nonces of blind montages.
    pub montages: Vec<(MontageId, Sha256Hex)>,
}

/// An invitation without its code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InvitationBody {
    /// The test.
    pub test: TestId,
    /// Who is invited.
    pub listener: ListenerCode,
    /// SHA-256 of the code.
    pub code_sha256: Sha256Hex,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SealBody {
    sealed: Kept<SealedTest>,
    context: Kept<SealContext>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CloseBody {
    closed: Kept<SealedTest>,
    result: Option<Box<RawValue>>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct MontageBody {
    made: Kept<BlindMontage>,
    nonce_sha256: Sha256Hex,
}

/// What happened. Each variant that changes a table is applied by `store::apply` and nowhere else.
#[derive(Debug, Clone)]
pub enum Event {
    /// The session's id was drawn.
    SessionBegun(SessionId),
    /// A note was set: title, summary of the last check.
    Noted(String, String),
    /// The rig sheet was read in.
    RigRead(Kept<Rig>),
    /// Recordings were taken in.
    TakesAdded(Vec<Kept<Take>>),
    /// The record of a take changed.
    TakeChanged(TakeChange, Kept<Take>),
    /// The DI's record made room for another.
    DiReplaced(TakeId),
    /// A matching run with its clips.
    ClipsMade(Kept<MatchRun>, Vec<Kept<Clip>>),
    /// An ohmmeter reading.
    Metered(Kept<MeterRecord>),
    /// A listener was first seen.
    ListenerAdded(Kept<Listener>),
    /// A test was sealed; older programs knew no context.
    TestSealed(Kept<SealedTest>, Option<Kept<SealContext>>),
    /// A sealed test that nobody answered was given up.
    TestWithdrawn(TestId, Kept<GivenUp>),
    /// A trial was opened.
    TrialOpened(Kept<TrialRecord>),
    /// A pick, with order and nonce.
    Picked(Kept<TrialRecord>),
    /// A trial became void.
    Voided(Kept<TrialRecord>),
    /// A test was closed, with its result where one was frozen.
    TestClosed(Kept<SealedTest>, Option<Box<RawValue>>),
    /// A listener was invited; the code's hash is unknown for those of older programs.
    Invited(TestId, ListenerCode, Option<Sha256Hex>),
    /// A blind montage; the nonce's hash is unknown for those of older programs.
    MontageMade(Kept<BlindMontage>, Option<Sha256Hex>),
    /// A montage's key was revealed.
    MontageRevealed(Kept<BlindMontage>),
    /// An audience's answers were counted.
    VotesCounted(Option<MontageId>, Kept<VoteCount>),
    /// What changes no record: kind, subject, body.
    Happened(Happening, String, Box<RawValue>),
    /// An older program's session was brought up to date.
    Migrated(Unlogged),
    /// A kind that this program does not know: `what`, subject, body. It changes nothing.
    Other(String, String, String),
}

/// An entry as the log keeps it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parts {
    /// The kind.
    pub what: String,
    /// The record's name.
    pub subject: String,
    /// The record or records, as JSON.
    pub body: String,
}

const AUDIENCE: &str = "audience page";

fn json<T: Serialize>(value: &T) -> Result<String, serde_json::Error> {
    serde_json::to_string(value)
}

fn seal_body(test: &Kept<SealedTest>, context: Option<&Kept<SealContext>>) -> Result<String, serde_json::Error> {
    match context {
        Some(context) => json(&SealBody { sealed: test.clone(), context: context.clone() }),
        None => json(test),
    }
}

fn invite_body(test: &TestId, listener: &ListenerCode, code: Option<&Sha256Hex>) -> Result<String, serde_json::Error> {
    match code {
        Some(code) => json(&InvitationBody { test: test.clone(), listener: listener.clone(), code_sha256: code.clone() }),
        None => Ok(test.to_string()),
    }
}

fn montage_body(montage: &Kept<BlindMontage>, nonce: Option<&Sha256Hex>) -> Result<String, serde_json::Error> {
    match nonce {
        Some(nonce) => json(&MontageBody { made: montage.clone(), nonce_sha256: nonce.clone() }),
        None => json(montage),
    }
}

impl Event {
    /// The entry that tells of it.
    ///
    /// # Errors
    /// A record cannot be written as JSON.
    pub fn parts(&self) -> Result<Parts, serde_json::Error> {
        let (what, subject, body) = match self {
            Self::SessionBegun(id) => ("session", id.to_string(), String::new()),
            Self::Noted(key, value) => ("note", key.clone(), value.clone()),
            Self::RigRead(rig) => ("rig", "rig".to_owned(), json(rig)?),
            Self::TakesAdded(takes) => {
                let names: Vec<_> = takes.iter().map(|t| t.value().id.as_str()).collect();
                ("take", names.join(" "), json(takes)?)
            }
            Self::TakeChanged(change, take) => {
                return Ok(Parts { what: change.what(), subject: take.value().id.to_string(), body: json(take)? });
            }
            Self::DiReplaced(id) => ("di-replaced", id.to_string(), String::new()),
            Self::ClipsMade(run, clips) => ("match", format!("run-{}", run.value().run), json(&(run, clips))?),
            Self::Metered(reading) => ("meter", reading.value().wiring.clone(), json(reading)?),
            Self::ListenerAdded(listener) => ("listener", listener.value().code.to_string(), json(listener)?),
            Self::TestSealed(test, context) => ("seal", test.value().plan.test.to_string(), seal_body(test, context.as_ref())?),
            Self::TestWithdrawn(test, given_up) => ("give-up", test.to_string(), json(given_up)?),
            Self::TrialOpened(trial) => ("open", trial.value().id.to_string(), json(trial)?),
            Self::Picked(trial) => ("pick", trial.value().id.to_string(), json(trial)?),
            Self::Voided(trial) => ("void", trial.value().id.to_string(), json(trial)?),
            Self::TestClosed(test, result) => {
                let body = CloseBody { closed: test.clone(), result: result.clone() };
                ("close", test.value().plan.test.to_string(), json(&body)?)
            }
            Self::Invited(test, listener, code) => ("invite", listener.to_string(), invite_body(test, listener, code.as_ref())?),
            Self::MontageMade(montage, nonce) => {
                ("montage", montage.value().id.to_string(), montage_body(montage, nonce.as_ref())?)
            }
            Self::MontageRevealed(montage) => ("reveal", montage.value().id.to_string(), json(montage)?),
            Self::VotesCounted(montage, count) => {
                ("votes", montage.as_ref().map_or(AUDIENCE, MontageId::as_str).to_owned(), json(count)?)
            }
            Self::Happened(what, subject, body) => (what.name(), subject.clone(), body.get().to_owned()),
            Self::Migrated(unlogged) => ("migrated", format!("schema-{}", unlogged.from), json(unlogged)?),
            Self::Other(what, subject, body) => {
                return Ok(Parts { what: what.clone(), subject: subject.clone(), body: body.clone() });
            }
        };
        Ok(Parts { what: what.to_owned(), subject, body })
    }

    /// Reads an entry, also one of an older program.
    ///
    /// # Errors
    /// What is wrong with it, for people.
    pub fn read(what: &str, subject: &str, body: &str) -> Result<Self, String> {
        fn record<T: DeserializeOwned>(body: &str) -> Result<T, String> {
            serde_json::from_str(body).map_err(|e| format!("its record cannot be read: {e}"))
        }
        let name = |e: crate::model::ids::NameError| e.to_string();
        Ok(match what {
            "session" => Self::SessionBegun(SessionId::new(subject).map_err(name)?),
            "note" => Self::Noted(subject.to_owned(), body.to_owned()),
            "rig" => Self::RigRead(record(body)?),
            "take" => Self::TakesAdded(record(body)?),
            "withdraw" | "reassign" => Self::TakeChanged(TakeChange::named(what), record(body)?),
            "di-replaced" => Self::DiReplaced(TakeId::new(subject).map_err(name)?),
            "match" => {
                let (run, clips) = record(body)?;
                Self::ClipsMade(run, clips)
            }
            "meter" => Self::Metered(record(body)?),
            "listener" => Self::ListenerAdded(record(body)?),
            "seal" => match serde_json::from_str::<SealBody>(body) {
                Ok(body) => Self::TestSealed(body.sealed, Some(body.context)),
                Err(_) => Self::TestSealed(record(body)?, None),
            },
            "give-up" => Self::TestWithdrawn(TestId::new(subject).map_err(name)?, record(body)?),
            "open" => Self::TrialOpened(record(body)?),
            "pick" => Self::Picked(record(body)?),
            "void" => Self::Voided(record(body)?),
            "close" => match serde_json::from_str::<CloseBody>(body) {
                Ok(body) => Self::TestClosed(body.closed, body.result),
                Err(_) => Self::TestClosed(record(body)?, None),
            },
            "invite" => match serde_json::from_str::<InvitationBody>(body) {
                Ok(body) => Self::Invited(body.test, body.listener, Some(body.code_sha256)),
                Err(_) => Self::Invited(TestId::new(body).map_err(name)?, ListenerCode::new(subject).map_err(name)?, None),
            },
            "montage" => match serde_json::from_str::<MontageBody>(body) {
                Ok(body) => Self::MontageMade(body.made, Some(body.nonce_sha256)),
                Err(_) => Self::MontageMade(record(body)?, None),
            },
            "reveal" => Self::MontageRevealed(record(body)?),
            "votes" if subject == AUDIENCE => Self::VotesCounted(None, record(body)?),
            "votes" => Self::VotesCounted(Some(MontageId::new(subject).map_err(name)?), record(body)?),
            "migrated" => Self::Migrated(record(body)?),
            _ => return Self::read_rest(what, subject, body),
        })
    }

    fn read_rest(what: &str, subject: &str, body: &str) -> Result<Self, String> {
        if let Some(change) = what.strip_prefix("take-") {
            let take = serde_json::from_str(body).map_err(|e| format!("its record cannot be read: {e}"))?;
            return Ok(Self::TakeChanged(TakeChange::named(change), take));
        }
        let known = Happening::from_name(what).zip(RawValue::from_string(body.to_owned()).ok());
        Ok(match known {
            Some((happening, body)) => Self::Happened(happening, subject.to_owned(), body),
            None => Self::Other(what.to_owned(), subject.to_owned(), body.to_owned()),
        })
    }

    /// True when it changes a table.
    #[must_use]
    pub fn changes_tables(&self) -> bool {
        !matches!(self, Self::Happened(..) | Self::Other(..))
    }
}
