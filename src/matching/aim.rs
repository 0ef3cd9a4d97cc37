//! What clips are matched by, and whether each take has its own gain.

use crate::matching::laid::refuse;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::signal::ears::Curve;
use crate::signal::{matching, zwicker};
use crate::store::Session;
use crate::units::{Dbtp, Lufs};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The model of loudness that clips are matched by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// BS.1770-5 over one gate for all clips.
    #[default]
    K,
    /// The A curve's mean level.
    A,
    /// ISO 532-1 on the mean spectrum.
    Zwicker,
}

/// The note of runs whose clips were not brought to one K-weighted loudness.
pub(crate) const MATCHED_BY: &str = "matched-by";

/// By what such a run's clips were matched.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Otherwise {
    /// One gain for all takes of a setup.
    pub(crate) per_setup: bool,
    /// By what, and what is left.
    pub(crate) text: String,
}

/// All such runs of a session.
///
/// # Errors
/// The note cannot be read.
pub(crate) fn matched_otherwise(session: &Session) -> Result<BTreeMap<u32, Otherwise>, Failure> {
    let Some(text) = session.note(MATCHED_BY)? else { return Ok(BTreeMap::new()) };
    serde_json::from_str(&text).map_err(|e| {
        let message = format!("by what clips were matched cannot be read: {e}");
        Failure::plain("damaged-note", Fate::Failed, message, "look at the record with: cabjury audit")
    })
}

/// How gains are found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Aim<'a> {
    pub(crate) ceiling: Dbtp,
    pub(crate) as_recorded: bool,
    pub(crate) measure: Measure,
    /// Group of each stretch that has one gain together; none: each has its own.
    pub(crate) groups: Option<&'a [usize]>,
}

impl Aim<'_> {
    /// Every file by itself, by BS.1770.
    pub(crate) fn plain(ceiling: Dbtp) -> Self {
        Self { ceiling, as_recorded: false, measure: Measure::K, groups: None }
    }

    /// Whether the clips have to come out equal in K-weighted loudness.
    pub(crate) fn equal_in_k(&self) -> bool {
        !self.as_recorded && self.measure == Measure::K && self.groups.is_none()
    }

    /// The gains of stretches.
    pub(crate) fn gains(&self, audio: &[Audio], loud: &[Lufs], peaks: &[Option<Dbtp>]) -> Result<Vec<f64>, Failure> {
        if self.as_recorded {
            return Ok(matching::common_gain(peaks, self.ceiling));
        }
        let own = match self.measure {
            Measure::K => matching::gains(loud, peaks, self.ceiling),
            Measure::A => {
                let levels: Option<Vec<f64>> = audio.iter().map(|a| Curve::A.level(a.channels(), a.rate())).collect();
                matching::gains_by(&levels.ok_or_else(silent)?, peaks, self.ceiling)
            }
            Measure::Zwicker => self.by_zwicker(audio, peaks)?,
        };
        Ok(match self.groups {
            Some(groups) => matching::one_per_group(&own, groups, peaks, self.ceiling),
            None => own,
        })
    }

    /// Loudness is no matter of gain alone: the gains are found at the loudness that the clips then have.
    fn by_zwicker(&self, audio: &[Audio], peaks: &[Option<Dbtp>]) -> Result<Vec<f64>, Failure> {
        let spectra: Vec<_> = audio.iter().map(|a| zwicker::Spectrum::of(a.channels(), a.rate())).collect();
        let mut gains = vec![0.0; spectra.len()];
        for _ in 0..3 {
            let phons: Option<Vec<f64>> = spectra.iter().zip(&gains).map(|(s, g)| s.phon(*g)).collect();
            let phons = phons.ok_or_else(silent)?;
            let wanted = phons.iter().sum::<f64>() / phons.len() as f64;
            let levels: Option<Vec<f64>> = spectra.iter().map(|s| Some(-s.gain_for(wanted)?)).collect();
            gains = matching::gains_by(&levels.ok_or_else(silent)?, peaks, self.ceiling);
        }
        Ok(gains)
    }
}

/// A file of whole numbers ends at full scale: what is let above it is cut off.
///
/// # Errors
/// A ceiling above 0 dBTP.
pub(crate) fn a_ceiling(ceiling: Dbtp) -> Result<(), Failure> {
    if ceiling.value() <= 0.0 {
        return Ok(());
    }
    let message =
        format!("a ceiling of {:+} dBTP: files of 24 bits end at 0 dBFS, and what is above is cut off", ceiling.value());
    Err(Failure::plain("wrong-use", Fate::WrongUse, message, "give 0 or less; -1 is usual (EBU R 128)"))
}

fn silent() -> Failure {
    refuse("silence", "one of the recordings is silent".to_owned(), "record it again")
}
