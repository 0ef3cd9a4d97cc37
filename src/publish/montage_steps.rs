//! Steps in loudness between the mics of a montage: said, or levelled where that is asked for. Within a mic clips are matched already.

use crate::model::ids::MicName;
use crate::publish::montage_choice::Planned;
use crate::publish::montage_request::Request;
use crate::report::text::signed;
use std::collections::BTreeMap;

/// A step that is worth a word. A change of 1 dB in level is about the least that is noticed in music (common practice, no source).
const WORTH_LU: f64 = 1.0;

/// Gain in dB for each mic.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Steps {
    gains: BTreeMap<MicName, f64>,
}

impl Steps {
    /// The gains, downward only, so that no peak rises; none unless they were asked for. A step that stays is said.
    pub(crate) fn of(planned: &[Planned], request: &Request, warnings: &mut Vec<String>) -> Self {
        let mut levels: BTreeMap<MicName, Vec<f64>> = BTreeMap::new();
        for p in planned {
            levels.entry(p.clip.mic.clone()).or_default().extend(p.clip.loudness.map(|l| l.value()));
        }
        let means: Vec<(MicName, f64)> = levels
            .into_iter()
            .filter(|(_, l)| !l.is_empty())
            .map(|(mic, l)| (mic, l.iter().sum::<f64>() / l.len() as f64))
            .collect();
        let Some(least) = means.iter().map(|m| m.1).reduce(f64::min) else { return Self::default() };
        if request.level_mics {
            return Self { gains: means.into_iter().map(|(mic, mean)| (mic, least - mean)).collect() };
        }
        let loudest = means.iter().map(|m| m.1).fold(f64::MIN, f64::max);
        if loudest - least > WORTH_LU && !request.raw_level {
            let each: Vec<String> = means.iter().map(|(mic, mean)| format!("{mic} {} LU", signed(mean - least, 1))).collect();
            warnings.push(format!(
                "loudness steps from mic to mic, over the quietest: {}; --level-mics brings them to one loudness",
                each.join(", ")
            ));
        }
        Self::default()
    }

    pub(crate) fn gain(&self, mic: &MicName) -> f64 {
        self.gains.get(mic).copied().unwrap_or(0.0)
    }
}
