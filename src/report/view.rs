//! What a report shows: plain records, filled by `publish::report`, read by the page, the Markdown and the JSON. Numbers carry their unit in
//! the name; what does not exist is `None`.

use crate::model::result::{ListenerDoc, RatingDoc, TestResult};
use crate::model::trial::{Conditions, Method};
use crate::report::heard_takes::TakesHeard;
use crate::stats::intervals::clopper_pearson;
use serde::Serialize;

/// Everything that a report holds.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Report {
    /// The session's title, or its folder's name.
    pub title: String,
    /// The engineer's question.
    pub question: Option<String>,
    /// Set when the scenario is invented and the listeners are simulated: a sentence that says so.
    pub invented: Option<String>,
    /// When the report was written (RFC 3339).
    pub made_at: String,
    /// The amplifier, in words.
    pub amplifier: Option<String>,
    /// Drivers, one row of cells each; the head is [`DRIVER_HEAD`].
    pub drivers: Vec<Vec<String>>,
    /// What was held, as key and value.
    pub held: Vec<(String, String)>,
    /// The setups.
    pub setups: Vec<SetupView>,
    /// Takes, withdrawn ones included.
    pub takes: Vec<TakeView>,
    /// Matching runs that a test was made from (or the last one).
    pub matching: Vec<MatchView>,
    /// Measured differences between setups.
    pub differences: Vec<DifferenceView>,
    /// Slope of the level over the capture order.
    pub level_trend_db_per_take: Option<f64>,
    /// Sealed tests, oldest first.
    pub tests: Vec<TestView>,
    /// Sealed tests that nobody answered and that were given up.
    pub given_up: Vec<String>,
    /// What audiences answered that visited: a sentence each, and what nobody guarded.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub audience: Vec<(String, Vec<String>)>,
    /// Blind montages, oldest first.
    pub montages: Vec<MontageView>,
    /// Counts of an audience's answers.
    pub votes: Vec<VotesView>,
    /// Cautions that hold for the whole session.
    pub cautions: Vec<String>,
    /// What the audit found.
    pub audit: Option<AuditView>,
    /// Program, versions, generator: name and value.
    pub versions: Vec<(String, String)>,
}

/// Head of [`Report::drivers`].
pub const DRIVER_HEAD: [&str; 6] = ["driver", "rated", "power", "DC resistance", "resonance", "polarity checked"];

/// A setup as the report shows it.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct SetupView {
    /// The setup's name.
    pub name: String,
    /// Canonical network.
    pub network: Option<String>,
    /// Tap in ohm.
    pub tap_ohm: Option<f64>,
    /// Rated load: a number with unit, `open` or `short`.
    pub load: Option<String>,
    /// `matched`, `tolerated`, `do-not-connect`.
    pub grade: Option<String>,
    /// Why.
    pub reasons: Vec<String>,
    /// Share of the power per driver: label, share 0..1.
    pub shares: Vec<(String, f64)>,
    /// What the ohmmeter should read, and what it read, in words.
    pub meter: Vec<String>,
    /// What stands against the setup at the gate, and the reason that was typed for using it all the same.
    pub gate: Vec<String>,
    /// Cautions about this setup: they stand beside its drawing.
    pub cautions: Vec<String>,
    /// The wiring drawing, an SVG element.
    #[serde(skip)]
    pub drawing: Option<String>,
    /// Takes per mic that are not withdrawn.
    pub takes: usize,
}

/// A take.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct TakeView {
    /// `t001`.
    pub take: String,
    /// Its setup, or `DI`.
    pub setup: String,
    /// Its mic.
    pub mic: String,
    /// Its pass.
    pub pass: u32,
    /// Integrated loudness of the excerpt that was matched, as recorded.
    pub level_lufs: Option<f64>,
    /// Integrated loudness of the whole recording.
    pub whole_lufs: Option<f64>,
    /// Findings in words.
    pub findings: Vec<String>,
    /// SHA-256 of the copy.
    pub sha256: String,
    /// Why it was withdrawn.
    pub withdrawn: Option<String>,
}

/// One matching run.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct MatchView {
    /// The run's number.
    pub run: u32,
    /// Raw levels kept, or loudness removed.
    pub as_recorded: bool,
    /// Largest loudness difference between two clips of one mic, on the written files.
    pub largest_mismatch_lu: Option<f64>,
    /// The ceiling.
    pub ceiling_dbtp: f64,
    /// The clips.
    pub clips: Vec<ClipView>,
}

/// A clip.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct ClipView {
    /// `c001`.
    pub clip: String,
    /// Its setup.
    pub setup: String,
    /// Its take.
    pub take: String,
    /// Its mic or blend.
    pub mic: String,
    /// Gain applied.
    pub gain_db: f64,
    /// Lag taken out.
    pub lag_samples: f64,
    /// Loudness before the gain.
    pub before_lufs: Option<f64>,
    /// Loudness of the written file.
    pub after_lufs: Option<f64>,
    /// True peak of the written file.
    pub true_peak_dbtp: Option<f64>,
}

/// Measured difference of two setups at one mic.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct DifferenceView {
    /// First setup.
    pub first: String,
    /// Second setup.
    pub second: String,
    /// Mic or blend.
    pub mic: String,
    /// Second minus first in loudness, before matching.
    pub level_lu: Option<f64>,
    /// The setups differ by more than repeat takes do; `None` with fewer than four takes of either.
    pub above_floor: Option<bool>,
    /// How audible it may be, in words.
    pub estimate: Option<String>,
    /// One-third octaves.
    pub bands: Vec<BandView>,
    /// Which driver the prediction is for, in words.
    pub predicted_for: Option<String>,
}

/// One one-third octave of a difference.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct BandView {
    /// Exact centre.
    pub hz: f64,
    /// Second minus first, loudness difference removed.
    pub between_db: Option<f64>,
    /// Largest difference between two takes of one setup.
    pub repeat_db: Option<f64>,
    /// What the driver model predicts, its mean level removed.
    pub predicted_db: Option<f64>,
}

/// A sealed test and its fate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestView {
    /// `test-1`.
    pub test: String,
    /// The method.
    pub method: Method,
    /// The setups.
    pub setups: Vec<String>,
    /// Mic or blend.
    pub mic: String,
    /// Excerpt.
    pub excerpt: String,
    /// Raw levels kept, or loudness removed.
    pub as_recorded: bool,
    /// Everything that differs.
    pub differs: Vec<String>,
    /// Takes per setup.
    pub takes: Vec<(String, usize)>,
    /// Planned scored trials per listener; `None`: open-ended.
    pub planned: Option<u32>,
    /// Planned listeners.
    pub listeners_planned: u32,
    /// Level.
    pub alpha: f64,
    /// Smallest share of distinguishers worth finding.
    pub bound: f64,
    /// Planned controls per listener: same-file, repeat, known difference.
    pub controls_planned: (u32, u32, u32),
    /// The word of an `attribute` test, and the setup that was expected to have more of it.
    pub attribute: Option<(String, String)>,
    /// Rule of exclusion.
    pub exclusion: String,
    /// Warnings printed when it was sealed.
    pub warnings: Vec<String>,
    /// Why a load that must not be connected was used.
    pub load_reason: Option<String>,
    /// SHA-256 of the sealed plan.
    pub seal_sha256: String,
    /// When.
    pub sealed_at: String,
    /// When it was closed.
    pub closed_at: Option<String>,
    /// How it ended or where it stands, in words.
    pub fate: String,
    /// The score, of a closed test.
    pub score: Option<ScoreView>,
    /// How it was to be listened to, as the plan states it.
    pub conditions: Conditions,
    /// What it was played by: devices, as the players said; none of an open test.
    pub played: Vec<String>,
    /// First and last pick.
    pub answered: Option<(String, String)>,
    /// Times that a sample was played in a trial, in the mean.
    pub replays: Option<f64>,
    /// What the takes test looked at; of a closed crossed test.
    pub takes_heard: Option<TakesHeard>,
    /// Its clips.
    pub stimuli: Option<Stimuli>,
    /// Who outside of the session's folder vouches for it, in words.
    pub witnessed: String,
    /// The line to publish or to compare with what was published: session, test, head of the log after the test was closed (or sealed).
    pub fingerprint: Option<String>,
}

/// A result with the trials behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScoreView {
    /// What the test showed: the same as in `score --json`.
    #[serde(flatten)]
    pub result: TestResult,
    /// All trials, void ones included, in the order of opening.
    pub picks: Vec<PickView>,
}

impl ScoreView {
    /// The 95 % interval of a share, for plots: of a whole panel as it stands in the result, of a listener by Clopper-Pearson.
    #[must_use]
    pub fn interval_of(listener: &ListenerDoc) -> [f64; 2] {
        let right = listener.correct.unwrap_or(0);
        let low = clopper_pearson(right, listener.trials, 0.05)[0];
        [low, clopper_pearson((right + listener.unanswered).min(listener.trials), listener.trials, 0.05)[1]]
    }

    /// Ratings by what they are of: setup or anchor, lower quartile, median, upper quartile.
    #[must_use]
    pub fn ratings(&self) -> Vec<(String, [f64; 3])> {
        self.result.ratings.iter().flatten().map(|r| (rated(r), [r.q1, r.median, r.q3])).collect()
    }

    /// Power to find a listener who is right 3 times in 4.
    #[must_use]
    pub fn power_at_three_quarters(&self) -> Option<f64> {
        self.result.count.power.iter().find(|p| (p.p_correct - 0.75).abs() < 1e-9).map(|p| p.power)
    }
}

/// What a rating is of.
#[must_use]
pub fn rated(r: &RatingDoc) -> String {
    let name = r.setup.as_ref().map_or_else(|| "the dulled anchor".to_owned(), ToString::to_string);
    if r.hidden_reference { format!("{name}, the hidden reference") } else { name }
}

/// One trial.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct PickView {
    /// The listener.
    pub listener: String,
    /// The number that the listener saw.
    pub number: u32,
    /// `trial`, `same-file`, `repeat`, `known`; empty for a void one.
    pub kind: String,
    /// It counts for the score.
    pub scored: bool,
    /// Place of the pick in the log.
    pub seq: Option<i64>,
    /// What was in the slots, in words.
    pub order: String,
    /// The pick.
    pub choice: String,
    /// The right choice.
    pub key: String,
    /// Right, wrong, or no such thing.
    pub right: Option<bool>,
    /// What the sums count: right, or of a preference that the setup that the plan names first was preferred.
    pub counted: Option<bool>,
    /// Seconds from opening to pick.
    pub seconds: Option<f64>,
    /// Why it is void.
    pub void: Option<String>,
    /// Remark and confidence, if given.
    pub remark: Option<String>,
}

/// A blind montage.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct MontageView {
    /// `montage-1`.
    pub montage: String,
    /// Its setups.
    pub setups: Vec<String>,
    /// Its mic.
    pub mic: String,
    /// Numbered clips.
    pub clips: u32,
    /// SHA-256 of nonce and key.
    pub commitment_sha256: String,
    /// When it was made.
    pub made_at: String,
    /// When its key was opened.
    pub revealed_at: Option<String>,
}

/// A count of an audience's answers.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct VotesView {
    /// `montage-1`, or `the audience page`.
    pub of: String,
    /// When it was counted.
    pub at: String,
    /// People.
    pub people: u64,
    /// Answers.
    pub answers: u64,
    /// Right ones.
    pub correct: u64,
    /// Its p.
    pub p_value: f64,
    /// SHA-256 of the file of answers.
    pub sha256: String,
}

/// What was played.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stimuli {
    /// Length of the longest clip.
    pub seconds: f64,
    /// Frames per second.
    pub rate_hz: u32,
}

/// What the audit found.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct AuditView {
    /// Nothing wrong.
    pub ok: bool,
    /// Records in the chain.
    pub records: u64,
    /// Head of the chain.
    pub head_sha256: String,
    /// Recordings and clips that are not in this copy.
    pub unverified_files: u64,
    /// Problems: where, what.
    pub problems: Vec<(String, String)>,
    /// Who outside of the folder vouches, in words.
    pub witnesses: String,
}

impl TestView {
    /// `series and parallel`.
    #[must_use]
    pub fn pair(&self) -> String {
        match self.setups.as_slice() {
            [one] => one.clone(),
            [most @ .., last] => format!("{} and {last}", most.join(", ")),
            [] => String::new(),
        }
    }
}
