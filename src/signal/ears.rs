//! Levels by other ears than BS.1770's: unweighted, the A and C curves of IEC 61672-1, and loudness by ISO 532-1 ([`super::zwicker`]).
//!
//! The curves are applied to the energies of the whole stretch's spectrum (Parseval), so they are exact at every rate up to half of it. The
//! pole frequencies are those of the standard's Annex E (from memory; the table of the standard checks them).

use realfft::RealFftPlanner;
use serde::Serialize;

use crate::signal::zwicker;
use crate::units::SampleRate;

/// How frequencies are weighted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Curve {
    /// All alike.
    Unweighted,
    /// For soft sounds.
    A,
    /// For loud sounds.
    C,
}

/// Poles of the curves, Hz.
const POLES: [f64; 4] = [20.598_997, 107.652_65, 737.862_23, 12_194.217];

impl Curve {
    /// Gain in power at a frequency, without the constant that makes it 1 at 1 kHz.
    fn raw(self, hz: f64) -> f64 {
        let f2 = hz * hz;
        let [p1, p2, p3, p4] = POLES.map(|p| p * p);
        match self {
            Self::Unweighted => 1.0,
            Self::C => (f2 * p4 / ((f2 + p1) * (f2 + p4))).powi(2),
            Self::A => (f2 * f2 * p4 / ((f2 + p1) * (f2 + p4))).powi(2) / ((f2 + p2) * (f2 + p3)),
        }
    }

    /// Gain in dB at a frequency: 0 at 1 kHz.
    #[must_use]
    pub fn gain_db(self, hz: f64) -> f64 {
        10.0 * (self.raw(hz) / self.raw(1000.0)).log10()
    }

    /// Mean level of a stretch: all channels' energies together over its length, dB of full scale (a full-scale sine of 1 kHz reads -3.01).
    /// `None` for silence.
    #[must_use]
    pub fn level<C: AsRef<[f32]>>(self, channels: &[C], rate: SampleRate) -> Option<f64> {
        let frames = channels.first()?.as_ref().len();
        let sum: f64 = channels.iter().map(|c| self.energy(c.as_ref(), rate)).sum();
        (sum > 0.0 && frames > 0).then(|| 10.0 * (sum / frames as f64).log10())
    }

    fn energy(self, x: &[f32], rate: SampleRate) -> f64 {
        if self == Self::Unweighted {
            return x.iter().filter(|v| v.is_finite()).map(|v| f64::from(*v).powi(2)).sum();
        }
        let at_1k = self.raw(1000.0);
        let mut planner = RealFftPlanner::<f64>::new();
        // In parts, so that memory does not grow. A cut through sound spreads a little of it over all frequencies: parts are long.
        let n = PART.min(x.len().next_power_of_two().max(2));
        let forward = planner.plan_fft_forward(n);
        let mut sum = 0.0;
        for part in x.chunks(n) {
            let mut input = forward.make_input_vec();
            for (i, v) in input.iter_mut().zip(part) {
                *i = if v.is_finite() { f64::from(*v) } else { 0.0 };
            }
            let mut out = forward.make_output_vec();
            // Lengths come from the plan itself: this cannot fail.
            let _ = forward.process(&mut input, &mut out);
            for (k, c) in out.iter().enumerate() {
                let twice = if k == 0 || k == n / 2 { 1.0 } else { 2.0 };
                let hz = k as f64 * rate.as_f64() / n as f64;
                sum += twice * c.norm_sqr() * self.raw(hz) / at_1k / n as f64;
            }
        }
        sum
    }
}

/// Frames of a part.
const PART: usize = 1 << 22;

/// Levels of one stretch by every curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ears {
    /// Unweighted.
    pub unweighted_db: Option<f64>,
    /// A curve.
    pub a_db: Option<f64>,
    /// C curve.
    pub c_db: Option<f64>,
    /// Loudness level by ISO 532-1 on the mean spectrum, at the level that [`zwicker::FULL_SCALE_SPL`] assumes.
    pub zwicker_phon: Option<f64>,
}

impl Ears {
    /// Of a stretch.
    #[must_use]
    pub fn of<C: AsRef<[f32]>>(channels: &[C], rate: SampleRate) -> Self {
        let by = |curve: Curve| curve.level(channels, rate);
        let zwicker_phon = zwicker::Spectrum::of(channels, rate).phon(0.0);
        Self { unweighted_db: by(Curve::Unweighted), a_db: by(Curve::A), c_db: by(Curve::C), zwicker_phon }
    }

    /// Largest difference of any two stretches, curve by curve; `None` where one is silent.
    #[must_use]
    pub fn spread(all: &[Self]) -> Self {
        let of = |value: fn(&Self) -> Option<f64>| {
            let values: Option<Vec<f64>> = all.iter().map(value).collect();
            let values = values.filter(|v| !v.is_empty())?;
            Some(values.iter().copied().fold(f64::MIN, f64::max) - values.iter().copied().fold(f64::MAX, f64::min))
        };
        Self {
            unweighted_db: of(|e| e.unweighted_db),
            a_db: of(|e| e.a_db),
            c_db: of(|e| e.c_db),
            zwicker_phon: of(|e| e.zwicker_phon),
        }
    }

    /// Curve by curve the larger of two.
    #[must_use]
    pub fn larger(self, other: Self) -> Self {
        let of = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| a.max(b)).or(a).or(b);
        Self {
            unweighted_db: of(self.unweighted_db, other.unweighted_db),
            a_db: of(self.a_db, other.a_db),
            c_db: of(self.c_db, other.c_db),
            zwicker_phon: of(self.zwicker_phon, other.zwicker_phon),
        }
    }
}
