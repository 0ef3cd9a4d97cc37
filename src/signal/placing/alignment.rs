//! One recording on another's time base, and the stretch that several share.

use crate::signal::shift;

/// Where a recording lies on a time base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alignment {
    /// Samples later than the time base, at frame 0.
    pub lag: f64,
    /// Drift in ppm that is taken out by resampling; none where the two clocks count as one.
    pub drift: Option<f64>,
}

impl Alignment {
    /// So many frames of a channel from frame `start` of the time base on; what lies outside of the recording is silence.
    #[must_use]
    pub fn laid(self, channel: &[f32], start: usize, len: usize) -> Vec<f32> {
        match self.drift {
            Some(drift) => shift::unwarp_at(channel, self.lag, drift, start, len),
            // One filter for every recording: an unshifted one among shifted ones would be a cue, if only below -100 dB.
            None => shift::advance(channel, self.lag + start as f64, len),
        }
    }

    /// Frames of the recording to a frame of the time base.
    pub(super) fn ratio(self) -> f64 {
        1.0 + self.drift.unwrap_or(0.0) * 1e-6
    }

    /// The frames of the time base that a recording of so many frames covers.
    fn covers(self, frames: f64) -> (f64, f64) {
        ((-self.lag).ceil(), ((frames - self.lag) / self.ratio()).floor())
    }

    /// The whole frames of the time base, from 0 on, that all recordings cover, each given with its number of frames: first, and one behind
    /// the last. The second is below the first where they share none.
    pub fn shared(all: impl IntoIterator<Item = (Self, f64)>) -> (f64, f64) {
        all.into_iter()
            .map(|(alignment, frames)| alignment.covers(frames))
            .fold((0.0, f64::MAX), |(start, end), (from, to)| (f64::max(start, from), f64::min(end, to)))
    }
}
