//! `takes`: every take with the name that its file came with, and what is missing.

use crate::capture::recording::{TakeDoc, load};
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::rig::Rig;
use crate::model::session::Take;
use crate::signal::meter;
use crate::store::Session;
use serde::Serialize;
use std::path::Path;

/// What one mic has of one setup.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MicCountDoc {
    /// The setup.
    pub setup: String,
    /// The mic.
    pub mic: String,
    /// Takes in use.
    pub takes: usize,
    /// Their passes.
    pub passes: Vec<u32>,
}

/// The document of `takes`.
#[derive(Debug, Clone, Serialize)]
pub struct TakesDoc {
    /// The session's folder.
    pub session: String,
    /// Every take, the DI and withdrawn ones included.
    pub takes: Vec<TakeDoc>,
    /// Takes and passes of each mic.
    pub mics: Vec<MicCountDoc>,
    /// What is missing for a blend.
    pub missing: Vec<String>,
}

/// Lists the takes.
///
/// # Errors
/// The folder holds no session that can be read.
pub fn takes(folder: &Path) -> Result<TakesDoc, Failure> {
    let session = Session::open_read(folder)?;
    let (rig, takes) = (session.rig()?, session.takes()?);
    let mut docs: Vec<TakeDoc> = takes.iter().map(TakeDoc::from).collect();
    if session.has_audio() {
        // A session of an older program has not kept the levels.
        for (doc, take) in docs.iter_mut().zip(&takes).filter(|(_, t)| t.level.is_none()) {
            doc.level_lufs = meter::measure(&load(&session, take)?).integrated.map(|l| l.value());
        }
    }
    let mics = counts(&rig, &takes);
    let missing = missing(&rig, &takes);
    Ok(TakesDoc { session: folder.display().to_string(), takes: docs, mics, missing })
}

fn live(takes: &[Take]) -> impl Iterator<Item = &Take> {
    takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none())
}

/// Takes and passes of each setup at each mic: the sheet's mics first, then what else was recorded.
pub(crate) fn counts(rig: &Rig, takes: &[Take]) -> Vec<MicCountDoc> {
    let mut mics: Vec<MicName> = rig.mics.iter().map(|m| m.name.clone()).collect();
    let recorded: Vec<MicName> = live(takes).map(|t| t.mic.clone()).collect();
    mics.extend(recorded);
    let mut seen: Vec<MicName> = Vec::new();
    mics.retain(|m| {
        !seen.contains(m) && {
            seen.push(m.clone());
            true
        }
    });
    let mut out = Vec::new();
    for setup in &rig.setups {
        for mic in &mics {
            let mut passes = passes(takes, &setup.name, mic);
            let takes = passes.len();
            passes.dedup();
            out.push(MicCountDoc { setup: setup.name.to_string(), mic: mic.to_string(), takes, passes });
        }
    }
    out
}

fn passes(takes: &[Take], setup: &SetupName, mic: &MicName) -> Vec<u32> {
    let mut passes: Vec<u32> = live(takes).filter(|t| t.setup.as_ref() == Some(setup) && &t.mic == mic).map(|t| t.pass).collect();
    passes.sort_unstable();
    passes
}

/// Passes that some mics of a blend have and others have not.
pub(crate) fn missing(rig: &Rig, takes: &[Take]) -> Vec<String> {
    let mut out = Vec::new();
    for blend in &rig.blends {
        for setup in &rig.setups {
            let each: Vec<(&MicName, Vec<u32>)> = blend.of.iter().map(|m| (m, passes(takes, &setup.name, m))).collect();
            let mut all: Vec<u32> = each.iter().flat_map(|e| e.1.iter().copied()).collect();
            all.sort_unstable();
            all.dedup();
            for (mic, has) in &each {
                let lacks: Vec<u32> = all.iter().copied().filter(|p| !has.contains(p)).collect();
                if !lacks.is_empty() {
                    out.push(format!(
                        "the blend {} of {} lacks {mic} in {} {}",
                        blend.name,
                        setup.name,
                        if lacks.len() == 1 { "pass" } else { "passes" },
                        list(&lacks)
                    ));
                }
            }
        }
    }
    out
}

/// Numbers in words: 1, 2, 3 and 7.
pub(crate) fn list(numbers: &[u32]) -> String {
    numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}
