//! Where files of one performance lie against the first, and the stretches that they share.

use crate::capture::measure::Held;
use crate::model::audio::{Audio, Polarity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::signal::align;
use crate::signal::placing::{self, Alignment, Placement, Relation};

pub(super) fn refuse(kind: &'static str, message: String, next: &str) -> Failure {
    Failure::plain(kind, Fate::Unfit, message, next)
}

/// Where a file lies on the first one's time base.
#[derive(Debug, Clone, Copy)]
pub(super) struct At {
    pub(super) on: Alignment,
    pub(super) polarity: Polarity,
}

impl At {
    fn of(found: &Placement) -> Self {
        Self { on: found.alignment(), polarity: found.lag.polarity }
    }
}

/// Aligned stretches of equal length: the span that all recordings share on the first one's time base.
pub(super) fn aligned(measured: &[Held], places: &[At]) -> Result<Vec<Audio>, Failure> {
    let (start, end) = Alignment::shared(places.iter().zip(measured).map(|(p, m)| (p.on, m.audio.frames() as f64)));
    if end - start < measured[0].audio.rate().as_f64() * 0.4 {
        return Err(refuse(
            "no-common-span",
            "the recordings share less than 0.4 s once they are aligned".to_owned(),
            "check that they hold the same performance",
        ));
    }
    measured
        .iter()
        .zip(places)
        .map(|(m, p)| {
            let len = (end - start) as usize;
            let planes = m.audio.channels().iter().map(|c| p.on.laid(c, start as usize, len)).collect();
            Audio::new(m.audio.rate(), planes).map_err(|e| refuse("shape", e.to_string(), "export the files again"))
        })
        .collect()
}

/// Where every file lies against the first, and what should be known of it.
pub(super) fn places(measured: &[Held], warnings: &mut Vec<String>) -> Result<Vec<At>, Failure> {
    let rate = measured[0].audio.rate();
    let first = align::mono(measured[0].audio.channels());
    let mut places = vec![At { on: Alignment { lag: 0.0, drift: None }, polarity: Polarity::Same }];
    for m in &measured[1..] {
        let second = align::mono(m.audio.channels());
        if let Some(found) = placing::place(&first, &second, rate, Relation::Unknown) {
            let name = m.path().display();
            if let Some(drift) = found.correct {
                warnings
                    .push(format!("{name} runs {drift:+.2} ppm off the first file: two clocks; its copy was resampled onto one"));
            }
            for jump in &found.jumps {
                let at = jump.at / rate.as_f64();
                warnings.push(format!(
                    "{name}, or the first file, has {:.0} samples too few or too many at {at:.3} s: it was laid by its longest stretch",
                    jump.samples.abs().max(1.0)
                ));
            }
            places.push(At::of(&found));
        } else if let Some(lag) = align::find_honest_lag(&first, &second, rate) {
            places.push(At { on: Alignment { lag: lag.samples, drift: None }, polarity: lag.polarity });
        } else {
            let quiet = if align::find_honest_lag(&first, &first, rate).is_none() { &measured[0] } else { m };
            let message = format!("{} is silent, so there is nothing to align by", quiet.path().display());
            return Err(Failure::at_path("silence", Fate::Unfit, m.path(), message, "record it again"));
        }
    }
    Ok(places)
}
