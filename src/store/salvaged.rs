//! Rows that were read out of a damaged file, as events that would have made them.

use super::apply::SESSION_ID;
use super::event::{Event, GivenUp, Kept, SealContext, TakeChange};
use super::rescue::Readable;
use super::secret::KeptKey;
use crate::model::audio::Sha256Hex;
use crate::model::ids::{ListenerCode, MontageId, SessionId, TestId};
use crate::model::montage::{BlindMontage, VoteCount};
use crate::model::rig::Rig;
use crate::model::session::{Clip, Listener, MatchRun, MeterRecord, Take};
use crate::model::trial::{SealedTest, TrialRecord, TrialState};
use serde::de::DeserializeOwned;
use serde_json::Value;
use serde_json::value::RawValue;

/// An entry of the log as it was read.
#[derive(Debug, Clone, serde::Deserialize)]
pub(super) struct Entry {
    pub(super) seq: i64,
    pub(super) at: String,
    pub(super) what: String,
    pub(super) subject: String,
    pub(super) body: String,
    pub(super) hash: String,
}

/// What stays out of the log.
#[derive(Default)]
pub(super) struct Secrets {
    invitations: Vec<(String, String, String)>,
    keys: Vec<(String, KeptKey)>,
}

impl Secrets {
    pub(super) fn code(&self, test: &TestId, listener: &ListenerCode, hash: Option<&Sha256Hex>) -> Option<&str> {
        let fits = |code: &str| hash.is_none_or(|h| Sha256Hex::of(code.as_bytes()) == *h);
        let found = self.invitations.iter().find(|(c, t, l)| t == test.as_str() && l == listener.as_str() && fits(c));
        found.map(|(code, _, _)| code.as_str())
    }

    pub(super) fn key(&self, montage: &MontageId) -> Option<&KeptKey> {
        self.keys.iter().find(|(id, _)| id == montage.as_str()).map(|(_, key)| key)
    }
}

/// The rows of all tables.
pub(super) struct Rows {
    pub(super) entries: Vec<Entry>,
    pub(super) secrets: Secrets,
    /// Each row as the events that make it, with its table and name, in an order in which they can happen.
    pub(super) made: Vec<(&'static str, String, Vec<Event>)>,
}

fn rows<'a>(found: &'a [Readable], table: &str) -> impl Iterator<Item = Value> + use<'a> {
    let records = found.iter().find(|t| t.table == table).map_or(&[][..], |t| t.records.as_slice());
    records.iter().filter_map(|text| serde_json::from_str(text).ok())
}

fn kept<T: DeserializeOwned>(row: &Value, column: &str) -> Option<Kept<T>> {
    serde_json::from_str(row[column].as_str()?).ok()
}

fn text(row: &Value, column: &str) -> String {
    row[column].as_str().unwrap_or_default().to_owned()
}

impl Rows {
    pub(super) fn of(found: &[Readable]) -> Self {
        let mut entries: Vec<Entry> = rows(found, "log").filter_map(|row| serde_json::from_value(row).ok()).collect();
        entries.sort_by_key(|e| e.seq);
        entries.dedup_by_key(|e| e.seq);
        let mut secrets = Secrets::default();
        for row in rows(found, "invitation") {
            secrets.invitations.push((text(&row, "code"), text(&row, "test"), text(&row, "listener")));
        }
        for row in rows(found, "montage") {
            if let Some(montage) = kept::<BlindMontage>(&row, "record") {
                let key = KeptKey { nonce: text(&row, "nonce"), text: text(&row, "key_text") };
                secrets.keys.push((montage.value().id.to_string(), key));
            }
        }
        let mut made = recorded(found);
        made.extend(sealed(found));
        made.extend(shown(found, &secrets));
        Self { entries, secrets, made }
    }
}

type Made = Vec<(&'static str, String, Vec<Event>)>;

fn recorded(found: &[Readable]) -> Made {
    let mut made: Made = Vec::new();
    for row in rows(found, "note") {
        let (key, value) = (text(&row, "key"), text(&row, "value"));
        let event = match SessionId::new(&value) {
            Ok(id) if key == SESSION_ID => Event::SessionBegun(id),
            _ => Event::Noted(key.clone(), value),
        };
        made.push(("note", key, vec![event]));
    }
    for rig in rows(found, "rig").filter_map(|row| kept::<Rig>(&row, "record")) {
        made.push(("rig", "rig".to_owned(), vec![Event::RigRead(rig)]));
    }
    for take in rows(found, "take").filter_map(|row| kept::<Take>(&row, "record")) {
        let mut events = vec![Event::TakesAdded(vec![take.clone()])];
        if take.value().withdrawn.is_some() {
            events.push(Event::TakeChanged(TakeChange::Withdrawn, take.clone()));
        }
        made.push(("take", take.value().id.to_string(), events));
    }
    let clips: Vec<Kept<Clip>> = rows(found, "clip").filter_map(|row| kept(&row, "record")).collect();
    for run in rows(found, "match_run").filter_map(|row| kept::<MatchRun>(&row, "record")) {
        let number = run.value().run;
        let of_run = clips.iter().filter(|c| c.value().run == number).cloned().collect();
        made.push(("match_run", number.to_string(), vec![Event::ClipsMade(run, of_run)]));
    }
    for reading in rows(found, "meter").filter_map(|row| kept::<MeterRecord>(&row, "record")) {
        made.push(("meter", reading.text().to_owned(), vec![Event::Metered(reading)]));
    }
    for listener in rows(found, "listener").filter_map(|row| kept::<Listener>(&row, "record")) {
        made.push(("listener", listener.value().code.to_string(), vec![Event::ListenerAdded(listener)]));
    }
    made
}

fn sealed(found: &[Readable]) -> Made {
    let (mut made, mut ends): (Made, Made) = (Vec::new(), Vec::new());
    for row in rows(found, "test") {
        let Some(test) = kept::<SealedTest>(&row, "record") else { continue };
        let id = test.value().plan.test.clone();
        let Ok(open) = Kept::of(SealedTest { closed_at: None, ..test.value().clone() }) else { continue };
        made.push(("test", id.to_string(), vec![Event::TestSealed(open, kept::<SealContext>(&row, "context"))]));
        if test.value().closed_at.is_some() {
            let result = row["result"].as_str().and_then(|r| RawValue::from_string(r.to_owned()).ok());
            ends.push(("end of test", id.to_string(), vec![Event::TestClosed(test, result)]));
        } else if let Some(given_up) = kept::<GivenUp>(&row, "given_up") {
            ends.push(("end of test", id.to_string(), vec![Event::TestWithdrawn(id.clone(), given_up)]));
        }
    }
    for trial in rows(found, "trial").filter_map(|row| kept::<TrialRecord>(&row, "record")) {
        let id = trial.value().id.to_string();
        let Some(opened) = opened(trial.value()) else { continue };
        made.push(("trial", id.clone(), vec![opened]));
        let end = match trial.value().state {
            TrialState::Open => continue,
            TrialState::Answered { .. } => Event::Picked(trial),
            TrialState::Void { .. } => Event::Voided(trial),
        };
        made.push(("end of trial", id, vec![end]));
    }
    made.extend(ends);
    made
}

/// The opening that a finished trial must have had.
pub(super) fn opened(trial: &TrialRecord) -> Option<Event> {
    Kept::of(TrialRecord { state: TrialState::Open, ..trial.clone() }).ok().map(Event::TrialOpened)
}

fn shown(found: &[Readable], secrets: &Secrets) -> Made {
    let mut made: Made = Vec::new();
    for montage in rows(found, "montage").filter_map(|row| kept::<BlindMontage>(&row, "record")) {
        let id = montage.value().id.clone();
        let hash = |key: &KeptKey| match key.text.as_str() {
            // The key was not among the records: what stands there is the hash.
            "" => Sha256Hex::parse(&key.nonce).ok(),
            _ => Some(Sha256Hex::of(key.nonce.as_bytes())),
        };
        let nonce = secrets.key(&id).and_then(hash);
        let mut events = Vec::new();
        if let Ok(before) = Kept::of(BlindMontage { revealed: None, ..montage.value().clone() }) {
            events.push(Event::MontageMade(before, nonce));
        }
        if montage.value().revealed.is_some() {
            events.push(Event::MontageRevealed(montage));
        }
        made.push(("montage", id.to_string(), events));
    }
    for row in rows(found, "vote_count") {
        if let Some(count) = kept::<VoteCount>(&row, "record") {
            let montage = row["montage"].as_str().and_then(|m| MontageId::new(m).ok());
            made.push(("vote_count", count.text().to_owned(), vec![Event::VotesCounted(montage, count)]));
        }
    }
    for (code, test, listener) in &secrets.invitations {
        if let (Ok(test), Ok(listener)) = (TestId::new(test), ListenerCode::new(listener)) {
            let (name, hash) = (format!("{test} {listener}"), Sha256Hex::of(code.as_bytes()));
            made.push(("invitation", name, vec![Event::Invited(test, listener, Some(hash))]));
        }
    }
    made
}

/// Tables and names of what an event makes.
pub(super) fn makes(event: &Event) -> Vec<(&'static str, String)> {
    match event {
        Event::SessionBegun(_) => vec![("note", SESSION_ID.to_owned())],
        Event::Noted(key, _) => vec![("note", key.clone())],
        Event::RigRead(_) => vec![("rig", "rig".to_owned())],
        Event::TakesAdded(takes) => takes.iter().map(|t| ("take", t.value().id.to_string())).collect(),
        Event::ClipsMade(run, _) => vec![("match_run", run.value().run.to_string())],
        Event::Metered(reading) => vec![("meter", reading.text().to_owned())],
        Event::ListenerAdded(listener) => vec![("listener", listener.value().code.to_string())],
        Event::TestSealed(test, _) => vec![("test", test.value().plan.test.to_string())],
        Event::TestClosed(test, _) => vec![("end of test", test.value().plan.test.to_string())],
        Event::TestWithdrawn(test, _) => vec![("end of test", test.to_string())],
        Event::TrialOpened(trial) => vec![("trial", trial.value().id.to_string())],
        Event::Picked(trial) | Event::Voided(trial) => vec![("end of trial", trial.value().id.to_string())],
        Event::MontageMade(montage, _) => vec![("montage", montage.value().id.to_string())],
        Event::VotesCounted(_, count) => vec![("vote_count", count.text().to_owned())],
        Event::Invited(test, listener, _) => vec![("invitation", format!("{test} {listener}"))],
        _ => Vec::new(),
    }
}
