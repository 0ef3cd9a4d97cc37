//! What is wrong with a recording, each with its likely cause and a remedy. Thresholds are ours; where the material does not allow a
//! judgement, that is said.
//!
//! [`Watch`] looks at blocks as they pass, so that memory does not grow with the recording.

mod crests;
mod flats;
mod holes;
mod quiet;
mod sums;

use crate::model::audio::{Audio, FaultKind, Finding, Levels, Severity};
use crate::units::SampleRate;
use crests::{Crests, Runs};
use flats::Flats;
use holes::Holes;
use quiet::{Quiet, Search};
use std::borrow::Cow;
use sums::Sums;

/// Below this correlation with the DI it is another performance; up to [`DI_DOUBTFUL`] it is doubtful.
pub const OTHER_DI: f64 = 0.35;
/// Between 0.25 and this the judgement is called doubtful.
pub const DI_DOUBTFUL: f64 = 0.45;

fn finding(kind: FaultKind, severity: Severity, detail: impl Into<String>) -> Finding {
    Finding { kind, severity, detail: detail.into() }
}

/// All detectors that need no other recording, on one in memory.
#[must_use]
pub fn find(audio: &Audio, levels: &Levels) -> Vec<Finding> {
    let mut watch = Watch::new(audio.rate(), audio.channels().len());
    watch.push(audio.channels());
    watch.finish(levels)
}

/// What is kept of one channel.
#[derive(Debug, Clone)]
struct Channel {
    sums: Sums,
    crests: [Crests; 2],
    flats: Flats,
    holes: Holes,
}

/// All detectors that need no other recording, fed block by block.
#[derive(Debug, Clone)]
pub struct Watch {
    rate: SampleRate,
    frames: u64,
    channels: Vec<Channel>,
    /// One for each channel.
    quiet: Vec<Search>,
    /// Frame of the first sample that is not a number.
    broken: Option<u64>,
    finite: bool,
    /// Largest difference of the two channels of a stereo file.
    apart: f32,
}

impl Watch {
    /// Before the first block.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        let side = ((rate.as_f64() * 0.005) as usize).max(1);
        let channel = Channel {
            sums: Sums::default(),
            crests: [Crests::new(1.0), Crests::new(-1.0)],
            flats: Flats::default(),
            holes: Holes::new(side, rate.hz() as usize),
        };
        let count = channels;
        let channels = vec![channel; count];
        Self { rate, frames: 0, channels, quiet: vec![Search::new(rate); count], broken: None, finite: false, apart: 0.0 }
    }

    /// Takes the next block, shape channels x frames.
    pub fn push<C: AsRef<[f32]>>(&mut self, block: &[C]) {
        let mut clean: Vec<Cow<'_, [f32]>> = block.iter().map(|c| Cow::Borrowed(c.as_ref())).collect();
        for channel in &mut clean {
            if channel.iter().fold(true, |all, v| all & v.is_finite()) {
                self.finite |= !channel.is_empty();
                continue;
            }
            if let Some(at) = channel.iter().position(|v| !v.is_finite()) {
                let at = self.frames + at as u64;
                self.broken = Some(self.broken.map_or(at, |b| b.min(at)));
            }
            self.finite |= channel.iter().any(|v| v.is_finite());
            for v in channel.to_mut() {
                *v = if v.is_finite() { *v } else { 0.0 };
            }
        }
        for (channel, x) in self.channels.iter_mut().zip(&clean) {
            channel.sums.push(x);
            channel.crests[0].push(x);
            channel.crests[1].push(x);
            channel.flats.push(x);
            channel.holes.push(x);
        }
        for (quiet, x) in self.quiet.iter_mut().zip(&clean) {
            quiet.push(x);
        }
        if let Some(first) = clean.first() {
            self.frames += first.len() as u64;
        }
        if let [left, right] = &clean[..] {
            self.apart = self.apart.max(sums::apart(left, right));
        }
    }

    /// What was found, with the readings of the meter that saw the same blocks.
    #[must_use]
    pub fn finish(self, levels: &Levels) -> Vec<Finding> {
        let mut found = Vec::new();
        self.not_a_number(&mut found);
        if self.silence(levels, &mut found) {
            return found;
        }
        self.too_short(&mut found);
        self.clipping(&mut found);
        overs(levels, &mut found);
        let quiet: Vec<(f64, Option<Quiet>)> = self
            .quiet
            .iter()
            .zip(&self.channels)
            .map(|(quiet, channel)| {
                let power = channel.sums.mean_square();
                (power, quiet.clone().finish(power))
            })
            .collect();
        self.dc_offset(quiet.first().and_then(|q| q.1.as_ref()), &mut found);
        mains_hum(self.rate, &quiet, &mut found);
        self.dropouts(&mut found);
        self.stereo(&mut found);
        found
    }

    fn seconds(&self, frame: u64) -> f64 {
        frame as f64 / self.rate.as_f64()
    }

    fn not_a_number(&self, found: &mut Vec<Finding>) {
        if let Some(at) = self.broken {
            let detail = format!(
                "Samples that are not numbers (NaN or infinite), first at {:.2} s: a plug-in or converter broke down. Export it again.",
                self.seconds(at)
            );
            found.push(finding(FaultKind::NotANumber, Severity::Stop, detail));
        }
    }

    fn silence(&self, levels: &Levels, found: &mut Vec<Finding>) -> bool {
        let silent = levels.sample_peak.is_none_or(|p| p.value() < -60.0);
        // A file of nothing but broken samples has no peak either, and that has been said.
        if silent && self.finite {
            let detail = "Nothing above -60 dBFS was recorded: wrong input, muted track, or the amplifier on standby? Check the chain \
                          and record again.";
            found.push(finding(FaultKind::Silence, Severity::Stop, detail));
        }
        silent
    }

    fn too_short(&self, found: &mut Vec<Finding>) {
        let length = self.seconds(self.frames);
        if length < 0.4 {
            let detail = format!("{length:.2} s: under 0.4 s there is no loudness at all. Record or export a longer stretch.");
            found.push(finding(FaultKind::TooShort, Severity::Stop, detail));
        } else if length < 3.0 {
            let detail = format!("{length:.2} s: loudness is rough under 3 s. Use a longer stretch of the performance.");
            found.push(finding(FaultKind::TooShort, Severity::Warn, detail));
        }
    }

    fn clipping(&self, found: &mut Vec<Finding>) {
        let runs = self.channels.iter().flat_map(|c| c.crests.iter().map(Crests::runs));
        let clipped: usize = runs.filter(Runs::cut).map(|r| r.samples).sum();
        if clipped == 0 {
            self.filtered_clipping(found);
            return;
        }
        let share = clipped as f64 / (self.frames as f64 * self.channels.len() as f64);
        let severity = if share > 0.001 { Severity::Stop } else { Severity::Warn };
        let detail = format!(
            "{clipped} samples ({:.3} %) sit flat at the top of the wave: the input clipped. Turn the mic gain down and record again; \
             matching cannot undo it.",
            100.0 * share
        );
        found.push(finding(FaultKind::Clipping, severity, detail));
    }

    /// Clipping that something later has tilted or rippled: no two samples are equal any more, but the tops are straight.
    fn filtered_clipping(&self, found: &mut Vec<Finding>) {
        let flat: usize = self.channels.iter().map(|c| c.flats.samples()).sum();
        if flat > 0 {
            let share = flat as f64 / (self.frames as f64 * self.channels.len() as f64);
            let detail = format!(
                "{flat} samples ({:.3} %) lie on straight tops with corners: the input clipped before a filter or another rate smoothed it. \
                 Turn the mic gain down and record again; matching cannot undo it.",
                100.0 * share
            );
            found.push(finding(FaultKind::Clipping, Severity::Warn, detail));
        }
    }

    fn dc_offset(&self, quiet: Option<&Quiet>, found: &mut Vec<Finding>) {
        let means = self.channels.iter().map(|c| c.sums.mean());
        let worst = means.fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
        if worst.abs() < 0.001 {
            return;
        }
        // An asymmetric wave has a mean of its own; an offset is there in the rests too.
        let confirmed = quiet.filter(|q| q.below >= 15.0).is_none_or(|q| {
            let rest = sums::sums(&q.samples).mean();
            rest.abs() >= 0.5 * worst.abs() && rest.signum() * worst.signum() > 0.0
        });
        if confirmed {
            let detail = format!(
                "The wave sits {worst:+.4} of full scale off the middle: a converter or preamp with an offset. Have the input checked; a \
                 high-pass at 20 Hz on export takes it out."
            );
            found.push(finding(FaultKind::DcOffset, Severity::Warn, detail));
        }
    }

    fn dropouts(&self, found: &mut Vec<Finding>) {
        let count: u32 = self.channels.iter().map(|c| c.holes.count).sum();
        if let Some(at) = self.channels.iter().find_map(|c| c.holes.first) {
            let (holes, first) = if count == 1 { ("hole", "") } else { ("holes", "first ") };
            let detail = format!(
                "{count} {holes} of exact zeros within the music, {first}at {:.2} s: the interface dropped samples. Raise its buffer and \
                 record again.",
                self.seconds(at)
            );
            found.push(finding(FaultKind::Dropout, Severity::Stop, detail));
        }
    }

    fn stereo(&self, found: &mut Vec<Finding>) {
        let [left, right] = &self.channels[..] else { return };
        if self.apart <= 1.0 / 8_388_608.0 {
            let detail = "Both channels hold the same: one mic on a stereo track. It reads 3 LU louder than as mono; use one layout for \
                          all takes.";
            found.push(finding(FaultKind::MonoInStereo, Severity::Note, detail));
            return;
        }
        let (l, r) = (left.sums.mean_square(), right.sums.mean_square());
        if l.max(r) > 1e6 * l.min(r) {
            let which = if l < r { "left" } else { "right" };
            let detail = format!(
                "The {which} channel is more than 60 dB under the other: a cable or an input is missing? Record or export mono."
            );
            found.push(finding(FaultKind::OneChannelSilent, Severity::Warn, detail));
        }
    }
}

fn overs(levels: &Levels, found: &mut Vec<Finding>) {
    if let Some(sample) = levels.sample_peak.filter(|p| p.value() > 0.0) {
        let detail =
            format!("Float samples reach {:+.2} dBFS; nothing is lost, the clip is turned down to the ceiling.", sample.value());
        found.push(finding(FaultKind::OverFullScale, Severity::Note, detail));
    } else if let Some(peak) = levels.true_peak.filter(|p| p.value() > 0.0) {
        let detail =
            format!("The wave reaches {:+.2} dBTP between the samples; the clip is turned down to the ceiling.", peak.value());
        found.push(finding(FaultKind::InterSampleOver, Severity::Note, detail));
    }
}

/// Hum up to this level, dBFS, is heard by nobody beside a take of the usual level; beside a quiet one it may be [`UNDER_TAKE`] below it.
const HUM: f64 = -65.0;
/// See [`HUM`], dB under the take.
const UNDER_TAKE: f64 = 40.0;

/// A DI rests where it lies so far under itself, dB.
const DI_RESTS: f64 = 30.0;

/// Hum in a take without a rest of its own, judged where its DI rests: only the chain behind the DI sounds there. `lag`: of the take against
/// the DI, samples. `None` when the DI has no rest that the take covers, or when nothing hums.
#[must_use]
pub fn hum_where_di_rests<C: AsRef<[f32]>>(take: &[C], di: &[f32], lag: f64, rate: SampleRate) -> Option<Finding> {
    let (at, below) = quiet::quietest(di, rate).filter(|q| q.1 >= DI_RESTS)?;
    let from = usize::try_from(at as i64 + lag.round() as i64).ok()?;
    let channels: Vec<(f64, Option<Quiet>)> = take
        .iter()
        .map(|c| {
            let c = c.as_ref();
            let rest = c.get(from..from + rate.hz() as usize).map(|s| Quiet { samples: s.to_vec(), below });
            (sums::sums(c).mean_square(), rest)
        })
        .collect();
    let mut found = Vec::new();
    mains_hum(rate, &channels, &mut found);
    found.into_iter().find(|f| f.kind == FaultKind::MainsHum)
}

/// The worst channel is told.
fn mains_hum(rate: SampleRate, channels: &[(f64, Option<Quiet>)], found: &mut Vec<Finding>) {
    let all: Vec<(usize, f64, &Quiet)> =
        channels.iter().enumerate().filter_map(|(c, (power, quiet))| Some((c, *power, quiet.as_ref()?))).collect();
    if all.is_empty() {
        return;
    }
    let judged: Vec<_> = all.iter().filter(|q| q.2.below >= 15.0).collect();
    if judged.is_empty() {
        let detail =
            "Hum cannot be judged: there is no second that lies 15 dB under the rest. Leave a second of rest before the riff.";
        found.push(finding(FaultKind::CannotBeJudged, Severity::Note, detail));
        return;
    }
    let told = judged.iter().filter_map(|(c, power, quiet)| {
        let hum = quiet.hum(rate)?;
        let least = HUM.min(10.0 * power.max(1e-30).log10() - UNDER_TAKE);
        (hum.stands() && hum.level >= least).then_some((*c, hum))
    });
    if let Some((channel, hum)) = told.max_by(|a, b| a.1.level.total_cmp(&b.1.level)) {
        let more =
            if hum.harmonics > 1 { format!(" and {} more of its harmonics", hum.harmonics - 1) } else { " alone".to_owned() };
        let side =
            if channels.len() == 2 { format!(" on the {} channel", ["left", "right"][channel.min(1)]) } else { String::new() };
        let detail = format!(
            "Hum at {} Hz{more}{side}, {:.0} dBFS in the rests: ground loop, or a coil near a transformer? It would be louder in one setup \
             than in the other; mend it before comparing.",
            hum.mains, hum.level
        );
        found.push(finding(FaultKind::MainsHum, Severity::Warn, detail));
    }
}
