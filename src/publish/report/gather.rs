//! Rig, takes, matching and differences of a session, as the report shows them.

use crate::model::audio::Severity;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::montage::{BlindMontage, VoteCount};
use crate::model::rig::{Amplifier, AmplifierKind, Driver, Rig, Setup};
use crate::model::session::{Clip, MatchRun, MeterRecord, MeterValue, Take};
use crate::model::trial::SealedTest;
use crate::report::view::{BandView, ClipView, DifferenceView, MatchView, MontageView, Report, SetupView, TakeView, VotesView};
use crate::store::Session;
use serde::Deserialize;

/// The key of a session's note that says that everything in it is invented.
pub const INVENTED: &str = "invented";

/// What the last check found, as `capture::check` keeps it.
#[derive(Debug, Default, Deserialize)]
struct LastCheck {
    #[serde(default)]
    differences: Vec<LastDifference>,
    level_trend_db_per_take: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct LastDifference {
    first: String,
    second: String,
    mic: String,
    bands: Vec<LastBand>,
    level_lu: Option<f64>,
    above_floor: Option<bool>,
    #[serde(default)]
    estimate: Option<LastEstimate>,
}

#[derive(Debug, Deserialize)]
struct LastEstimate {
    sentence: String,
}

#[derive(Debug, Deserialize)]
struct LastBand {
    hz: f64,
    between_db: Option<f64>,
    repeat_db: Option<f64>,
}

/// Everything but tests, audit and versions.
///
/// # Errors
/// The records cannot be read.
pub fn gather(session: &Session) -> Result<Report, Failure> {
    let (rig, takes, clips, runs) = (session.rig()?, session.takes()?, session.clips()?, session.match_runs()?);
    let (meter, tests) = (session.meter_readings()?, session.tests()?);
    let check: LastCheck = match session.note("last-check")? {
        None => LastCheck::default(),
        Some(text) => serde_json::from_str(&text).map_err(|e| {
            let message = format!("what the last check found cannot be read: {e}");
            Failure::plain("damaged-note", Fate::Failed, message, "run it again: cabjury check")
        })?,
    };
    let folder = session.folder().file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let title = session.note("title")?.or_else(|| rig.title.clone()).unwrap_or(folder);
    Ok(Report {
        title,
        question: rig.question.clone(),
        invented: session.note(INVENTED)?,
        amplifier: rig.amplifier.as_ref().map(amplifier),
        drivers: rig.drivers.iter().map(driver).collect(),
        held: rig.held.iter().map(|(k, v)| (k.clone(), v.clone())).collect(),
        setups: rig.setups.iter().map(|s| setup(&rig, s, &takes, &meter)).collect(),
        takes: takes.iter().map(|t| take(t, &clips)).collect(),
        matching: runs.iter().filter(|r| shown(r, &runs, &clips, &tests)).map(|r| matching(r, &clips)).collect(),
        differences: check.differences.into_iter().map(difference).collect(),
        level_trend_db_per_take: check.level_trend_db_per_take,
        montages: session.montages()?.iter().map(montage).collect(),
        votes: votes(session)?,
        cautions: cautions(&rig).into_iter().chain(crate::capture::inspection::confirmed_lines(session)?).collect(),
        ..Report::default()
    })
}

fn montage(m: &BlindMontage) -> MontageView {
    MontageView {
        montage: m.id.to_string(),
        setups: m.setups.iter().map(ToString::to_string).collect(),
        mic: m.mic.to_string(),
        clips: m.clips,
        commitment_sha256: m.commitment.to_string(),
        made_at: m.made_at.to_string(),
        revealed_at: m.revealed.as_ref().map(|r| r.at.to_string()),
    }
}

/// Counts of answers to montages and to the audience page.
fn votes(session: &Session) -> Result<Vec<VotesView>, Failure> {
    let mut out = Vec::new();
    let of = |name: &str, v: &VoteCount| VotesView {
        of: name.to_owned(),
        at: v.at.to_string(),
        people: v.people,
        answers: v.answers,
        correct: v.correct,
        p_value: v.p_value,
        sha256: v.sha256.to_string(),
    };
    for m in session.montages()? {
        out.extend(session.vote_counts(Some(&m.id))?.iter().map(|v| of(m.id.as_str(), v)));
    }
    out.extend(session.vote_counts(None)?.iter().map(|v| of("the audience page", v)));
    Ok(out)
}

fn amplifier(a: &Amplifier) -> String {
    let kind = match a.kind {
        AmplifierKind::Valve => "valve",
        AmplifierKind::SolidState => "solid-state",
    };
    let power = a.rated_w.map_or_else(String::new, |w| format!(", {w:.0}"));
    format!("{}, {kind}{power}", a.label)
}

fn driver(d: &Driver) -> Vec<String> {
    let dash = || "\u{2013}".to_owned();
    let re = d.re_ohm.map_or_else(dash, |r| format!("{r:.2}{}", if d.re_measured { ", measured" } else { ", data sheet" }));
    vec![
        d.label.to_string(),
        format!("{} ohm", d.nominal_ohm.value()),
        d.rated_w.map_or_else(dash, |w| format!("{w:.0}")),
        re,
        d.fs_hz.map_or_else(dash, |f| format!("{f:.0}")),
        if d.polarity_checked { "yes" } else { "no" }.to_owned(),
    ]
}

fn setup(rig: &Rig, setup: &Setup, takes: &[Take], meter: &[MeterRecord]) -> SetupView {
    let wiring = setup.wiring.as_ref().and_then(|w| rig.wiring(w));
    let names = |r: &&MeterRecord| {
        r.wiring == setup.name.as_str() || wiring.is_some_and(|w| r.wiring == w.name.as_str() || r.wiring == w.network)
    };
    let readings = meter.iter().filter(names).map(reading).collect();
    let mut per_mic: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
    for take in takes.iter().filter(|t| t.setup.as_ref() == Some(&setup.name) && t.withdrawn.is_none()) {
        *per_mic.entry(take.mic.as_str()).or_default() += 1;
    }
    SetupView {
        name: setup.name.to_string(),
        network: wiring.map(|w| w.network.clone()),
        tap_ohm: setup.tap_ohm.map(|t| t.value()),
        meter: readings,
        takes: per_mic.values().copied().max().unwrap_or(0),
        ..SetupView::default()
    }
}

fn reading(r: &MeterRecord) -> String {
    let value = match r.reading {
        MeterValue::Ohm(ohm) => format!("{ohm:.1}"),
        MeterValue::Open => "OL (open)".to_owned(),
    };
    let judged = if r.as_intended { "as intended" } else { "not as intended" };
    format!("{value}, {judged} (expected {:.1} to {:.1})", r.low.value(), r.high)
}

fn take(take: &Take, clips: &[Clip]) -> TakeView {
    let level = clips.iter().rev().find(|c| c.take == take.id && c.mic == take.mic).and_then(|c| c.loudness_before);
    TakeView {
        take: take.id.to_string(),
        setup: take.setup.as_ref().map_or_else(|| "DI".to_owned(), ToString::to_string),
        mic: take.mic.to_string(),
        pass: take.pass,
        level_lufs: level.map(|l| l.value()),
        whole_lufs: take.level.map(|l| l.value()),
        findings: remarks(take),
        sha256: take.sha256.to_string(),
        withdrawn: take.withdrawn.clone(),
    }
}

/// What was found in a take, what it was made from, and where it stood before.
fn remarks(take: &Take) -> Vec<String> {
    let found = take.findings.iter().filter(|f| f.severity != Severity::Note).map(|f| f.detail.clone());
    let made = take.derived.iter().map(|d| format!("Made from {}: {}.", d.from, d.how.join(", ")));
    let moved = take.reassigned.iter().map(|r| {
        let setup = r.setup.as_ref().map_or("DI", |s| s.as_str());
        format!("Until {} it stood under {setup}, mic {}, pass {}: {}", r.at, r.mic, r.pass, r.reason)
    });
    found.chain(made).chain(moved).collect()
}

/// A run is shown when it is the last one, or a sealed test plays its clips.
fn shown(run: &MatchRun, all: &[MatchRun], clips: &[Clip], tests: &[SealedTest]) -> bool {
    let last = all.iter().all(|other| other.run <= run.run);
    last || tests.iter().flat_map(|t| &t.plan.clips).any(|p| clips.iter().any(|c| c.id == p.clip && c.run == run.run))
}

fn matching(run: &MatchRun, clips: &[Clip]) -> MatchView {
    let clips = clips.iter().filter(|c| c.run == run.run).map(|c| ClipView {
        clip: c.id.to_string(),
        setup: c.setup.to_string(),
        take: c.take.to_string(),
        mic: c.mic.to_string(),
        gain_db: c.gain.value(),
        lag_samples: c.lag_samples,
        before_lufs: c.loudness_before.map(|l| l.value()),
        after_lufs: c.loudness.map(|l| l.value()),
        true_peak_dbtp: c.true_peak.map(|p| p.value()),
    });
    MatchView {
        run: run.run,
        as_recorded: run.as_recorded,
        largest_mismatch_lu: run.largest_mismatch.map(|m| m.value()),
        ceiling_dbtp: run.ceiling.value(),
        clips: clips.collect(),
    }
}

fn difference(d: LastDifference) -> DifferenceView {
    let bands =
        d.bands.into_iter().map(|b| BandView { hz: b.hz, between_db: b.between_db, repeat_db: b.repeat_db, predicted_db: None });
    DifferenceView {
        first: d.first,
        second: d.second,
        mic: d.mic,
        level_lu: d.level_lu,
        above_floor: d.above_floor,
        estimate: d.estimate.map(|e| e.sentence),
        bands: bands.collect(),
        predicted_for: None,
    }
}

fn cautions(rig: &Rig) -> Vec<String> {
    let unchecked: Vec<&str> = rig.drivers.iter().filter(|d| !d.polarity_checked).map(|d| d.label.as_str()).collect();
    if unchecked.is_empty() {
        return Vec::new();
    }
    vec![format!(
        "Polarity of {} was not checked with a cell; an ohmmeter cannot see a reversed driver.",
        unchecked.join(" and ")
    )]
}
