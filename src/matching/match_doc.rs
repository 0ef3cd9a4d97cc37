//! What `match` reports.

use crate::matching::aim::Measure;
use crate::model::session::Clip;
use crate::signal::ears::Ears;
use serde::Serialize;

/// One clip as documents hold it.
#[derive(Debug, Clone, Serialize)]
pub struct ClipDoc {
    /// Its number.
    pub clip: String,
    /// Its setup.
    pub setup: String,
    /// Its take.
    pub take: String,
    /// Its mic or blend.
    pub mic: String,
    /// Its excerpt.
    pub excerpt: String,
    /// Gain applied.
    pub gain_db: f64,
    /// Lag taken out.
    pub lag_samples: f64,
    /// Clock drift that was seen.
    pub drift_ppm: Option<f64>,
    /// 1, -1 or null.
    pub polarity: Option<i8>,
    /// Integrated loudness of the written file.
    pub integrated_lufs: Option<f64>,
    /// The same over the gate that all clips of a mic and excerpt share: what the match is about.
    pub shared_lufs: Option<f64>,
    /// True peak of the written file.
    pub true_peak_dbtp: Option<f64>,
    /// Residual against the setup's first take.
    pub residual_db: Option<f64>,
    /// The file, relative to the folder.
    pub path: String,
    /// The matching run that it belongs to.
    pub run: u32,
}

impl From<&Clip> for ClipDoc {
    fn from(c: &Clip) -> Self {
        Self {
            clip: c.id.to_string(),
            setup: c.setup.to_string(),
            take: c.take.to_string(),
            mic: c.mic.to_string(),
            excerpt: c.excerpt.to_string(),
            gain_db: c.gain.value(),
            lag_samples: c.lag_samples,
            drift_ppm: c.drift.map(|d| d.value()),
            polarity: c.polarity.sign(),
            integrated_lufs: c.loudness.map(|l| l.value()),
            shared_lufs: c.shared_loudness.map(|l| l.value()),
            true_peak_dbtp: c.true_peak.map(|p| p.value()),
            residual_db: c.residual.map(|r| r.value()),
            path: c.path.clone(),
            run: c.run,
        }
    }
}

/// The document of `match`.
#[derive(Debug, Clone, Serialize)]
pub struct MatchDoc {
    /// The clips of this run.
    pub clips: Vec<ClipDoc>,
    /// The largest mismatch of two clips of one mic and excerpt over the shared gate.
    pub largest_mismatch_lu: f64,
    /// The same by the standard's own gate; null with raw levels, or where a clip has no loudness.
    pub largest_mismatch_standard_lu: Option<f64>,
    /// The same by other ears: unweighted, and the A and C curves; null with raw levels.
    pub largest_mismatch_by_ear: Option<Ears>,
    /// The model that they were matched by.
    pub matched_by: Measure,
    /// One gain for all takes of a setup.
    pub per_setup: bool,
    /// What is left in K-weighted loudness where the clips were not brought to one; null where they were.
    pub left: Option<String>,
    /// True when raw levels were kept.
    pub as_recorded: bool,
    /// What the engineer should know.
    pub warnings: Vec<String>,
}
