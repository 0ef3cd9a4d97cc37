//! What is wrong with a recording, each with its likely cause and a remedy. Thresholds are ours; where the material does not allow a
//! judgement, that is said.

use crate::model::audio::{Audio, FaultKind, Finding, Levels, Severity};
use crate::units::SampleRate;
use realfft::RealFftPlanner;
use std::f64::consts::PI;

/// Below this correlation with the DI it is another performance; up to [`DI_DOUBTFUL`] it is doubtful.
pub const OTHER_DI: f64 = 0.35;
/// Between 0.25 and this the judgement is called doubtful.
pub const DI_DOUBTFUL: f64 = 0.45;

fn finding(kind: FaultKind, severity: Severity, detail: impl Into<String>) -> Finding {
    Finding { kind, severity, detail: detail.into() }
}

/// All detectors that need no other recording.
#[must_use]
pub fn find(audio: &Audio, levels: &Levels) -> Vec<Finding> {
    let mut found = Vec::new();
    not_a_number(audio, &mut found);
    if !silence(audio, levels, &mut found) {
        too_short(audio, &mut found);
        clipping(audio, &mut found);
        overs(audio, levels, &mut found);
        let quiet = Quiet::of(audio);
        dc_offset(audio, quiet.as_ref(), &mut found);
        mains_hum(audio.rate(), quiet.as_ref(), &mut found);
        dropouts(audio, &mut found);
        stereo(audio, &mut found);
    }
    found
}

fn seconds(frame: usize, rate: SampleRate) -> f64 {
    frame as f64 / rate.as_f64()
}

fn not_a_number(audio: &Audio, found: &mut Vec<Finding>) {
    let first = audio.channels().iter().filter_map(|c| c.iter().position(|x| !x.is_finite())).min();
    if let Some(at) = first {
        let detail = format!(
            "Samples that are no numbers (NaN or infinite), first at {:.2} s: a plug-in or converter broke down. Export it again.",
            seconds(at, audio.rate())
        );
        found.push(finding(FaultKind::NotANumber, Severity::Stop, detail));
    }
}

fn silence(audio: &Audio, levels: &Levels, found: &mut Vec<Finding>) -> bool {
    let silent = levels.sample_peak.is_none_or(|p| p.value() < -60.0);
    // A file of nothing but broken samples has no peak either, and that has been said.
    if silent && audio.channels().iter().flatten().any(|x| x.is_finite()) {
        let detail = "Nothing above -60 dBFS was recorded: wrong input, muted track, or the amplifier on standby? Check the chain and \
                      record again.";
        found.push(finding(FaultKind::Silence, Severity::Stop, detail));
    }
    silent
}

fn too_short(audio: &Audio, found: &mut Vec<Finding>) {
    let length = seconds(audio.frames(), audio.rate());
    if length < 0.4 {
        let detail = format!("{length:.2} s: under 0.4 s there is no loudness at all. Record or export a longer stretch.");
        found.push(finding(FaultKind::TooShort, Severity::Stop, detail));
    } else if length < 3.0 {
        let detail = format!("{length:.2} s: loudness is rough under 3 s. Use a longer stretch of the performance.");
        found.push(finding(FaultKind::TooShort, Severity::Warn, detail));
    }
}

/// Runs of three or more samples at a channel's extreme of one sign: (samples in runs, mean step into and out of them).
fn runs_at(channel: &[f32], sign: f32) -> (usize, f64, f64) {
    let extreme = channel.iter().map(|x| x * sign).fold(0.0f32, f32::max);
    let near = |x: &f32| extreme - x * sign <= 5e-5;
    let (mut count, mut steps, mut edges) = (0, 0.0, 0u32);
    let mut i = 0;
    while i < channel.len() {
        if !near(&channel[i]) {
            i += 1;
            continue;
        }
        let start = i;
        while i < channel.len() && near(&channel[i]) {
            i += 1;
        }
        if i - start >= 3 && extreme > 0.0 {
            count += i - start;
            for pair in [(start.checked_sub(1), start), (Some(i), i - 1)] {
                if let Some(outside) = pair.0.and_then(|o| channel.get(o)) {
                    steps += f64::from((channel[pair.1] - outside).abs());
                    edges += 1;
                }
            }
        }
    }
    let step = if edges == 0 { 0.0 } else { steps / f64::from(edges) };
    (count, step, f64::from(extreme))
}

fn clipping(audio: &Audio, found: &mut Vec<Finding>) {
    let (mut clipped, mut all) = (0, 0);
    for channel in audio.channels() {
        all += channel.len();
        for sign in [1.0, -1.0] {
            let (count, step, extreme) = runs_at(channel, sign);
            if count >= 10 && step >= 4e-4 * extreme {
                clipped += count;
            }
        }
    }
    if clipped == 0 {
        return;
    }
    let share = clipped as f64 / all as f64;
    let severity = if share > 0.001 { Severity::Stop } else { Severity::Warn };
    let detail = format!(
        "{clipped} samples ({:.3} %) sit flat at the top of the wave: the input clipped. Turn the mic gain down and record again; \
         matching cannot undo it.",
        100.0 * share
    );
    found.push(finding(FaultKind::Clipping, severity, detail));
}

fn overs(audio: &Audio, levels: &Levels, found: &mut Vec<Finding>) {
    let sample = levels.sample_peak.map_or(f64::MIN, |p| p.value());
    let over = audio.channels().iter().flatten().any(|x| x.is_finite() && x.abs() > 1.0);
    if over {
        let detail = format!("Float samples reach {sample:+.2} dBFS; nothing is lost, the clip is turned down to the ceiling.");
        found.push(finding(FaultKind::OverFullScale, Severity::Note, detail));
    } else if let Some(peak) = levels.true_peak.filter(|p| p.value() > 0.0) {
        let detail =
            format!("The wave reaches {:+.2} dBTP between the samples; the clip is turned down to the ceiling.", peak.value());
        found.push(finding(FaultKind::InterSampleOver, Severity::Note, detail));
    }
}

/// The quietest second of the first channel, if the recording is long enough to have one.
struct Quiet {
    samples: Vec<f32>,
    /// How far it lies under the whole recording, dB; infinite for digital silence.
    below: f64,
}

fn mean_square(x: &[f32]) -> f64 {
    x.iter().map(|v| if v.is_finite() { f64::from(*v).powi(2) } else { 0.0 }).sum::<f64>() / x.len().max(1) as f64
}

impl Quiet {
    fn of(audio: &Audio) -> Option<Self> {
        let n = audio.rate().hz() as usize;
        let channel = &audio.channels()[0];
        if channel.len() < n {
            return None;
        }
        let hop = n / 10;
        // Energies per 100 ms first: the quietest second is the quietest ten in a row.
        let parts: Vec<f64> = channel.chunks_exact(hop).map(mean_square).collect();
        let (start, _) = parts.windows(10).map(|w| w.iter().sum::<f64>()).enumerate().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let samples = channel[start * hop..(start * hop + n).min(channel.len())].to_vec();
        let (quiet, all) = (mean_square(&samples), mean_square(channel));
        let level = if quiet > 0.0 { 10.0 * quiet.log10() } else { f64::NEG_INFINITY };
        Some(Self { samples, below: 10.0 * all.log10() - level })
    }
}

fn mean(x: &[f32]) -> f64 {
    x.iter().map(|v| if v.is_finite() { f64::from(*v) } else { 0.0 }).sum::<f64>() / x.len().max(1) as f64
}

fn dc_offset(audio: &Audio, quiet: Option<&Quiet>, found: &mut Vec<Finding>) {
    let worst = audio.channels().iter().map(|c| mean(c)).fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
    if worst.abs() < 0.001 {
        return;
    }
    // An asymmetric wave has a mean of its own; an offset is there in the rests too.
    let confirmed = quiet.filter(|q| q.below >= 15.0).is_none_or(|q| {
        let rest = mean(&q.samples);
        rest.abs() >= 0.5 * worst.abs() && rest.signum() * worst.signum() > 0.0
    });
    if confirmed {
        let detail = format!(
            "The wave sits {:+.4} of full scale off the middle: a converter or preamp with an offset. Have the input checked; a high-pass at \
             20 Hz on export takes it out.",
            worst
        );
        found.push(finding(FaultKind::DcOffset, Severity::Warn, detail));
    }
}

fn mains_hum(rate: SampleRate, quiet: Option<&Quiet>, found: &mut Vec<Finding>) {
    let Some(quiet) = quiet else { return };
    if quiet.below < 15.0 {
        let detail =
            "Hum cannot be judged: there is no second that lies 15 dB under the rest. Leave a second of rest before the riff.";
        found.push(finding(FaultKind::CannotBeJudged, Severity::Note, detail));
        return;
    }
    let Some(power) = one_hertz_spectrum(&quiet.samples, rate) else { return };
    let hum = [50, 60].map(|mains| harmonics(&power, mains));
    let (mains, (count, sum)) = if hum[0].1 >= hum[1].1 { (50, hum[0]) } else { (60, hum[1]) };
    let level = 10.0 * sum.max(1e-300).log10();
    if count >= 3 && level >= -65.0 {
        let detail = format!(
            "Hum at {mains} Hz and {} more of its harmonics, {level:.0} dBFS in the rests: ground loop, or a coil near a transformer? It \
             would be louder in one setup than in the other; mend it before comparing.",
            count - 1
        );
        found.push(finding(FaultKind::MainsHum, Severity::Warn, detail));
    }
}

/// Hann power spectrum with bins of 1 Hz, scaled so that the sum over bins is the mean square.
fn one_hertz_spectrum(x: &[f32], rate: SampleRate) -> Option<Vec<f64>> {
    let n = rate.hz() as usize;
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(n);
    let mut input = forward.make_input_vec();
    let mut norm = 0.0;
    for (i, (slot, v)) in input.iter_mut().zip(x).enumerate() {
        let w = 0.5 - 0.5 * (2.0 * PI * (i as f64 + 0.5) / n as f64).cos();
        norm += w * w;
        *slot = if v.is_finite() { f64::from(*v) * w } else { 0.0 };
    }
    let mut out = forward.make_output_vec();
    forward.process(&mut input, &mut out).ok()?;
    Some(out.iter().map(|c| 2.0 * c.norm_sqr() / (norm * n as f64)).collect())
}

/// Harmonics 1..10 that stand out, and their summed power: the power within 2 Hz must be 12 dB over five times the median bin 5 to 20 Hz
/// away.
fn harmonics(power: &[f64], mains: usize) -> (u32, f64) {
    let (mut count, mut sum) = (0, 0.0);
    for k in 1..=10 {
        let at = mains * k;
        if at + 21 > power.len() {
            break;
        }
        let line: f64 = power[at - 2..=at + 2].iter().sum();
        let mut around: Vec<f64> = power[at - 20..=at - 5].iter().chain(&power[at + 5..=at + 20]).copied().collect();
        around.sort_by(f64::total_cmp);
        let floor = 5.0 * around[around.len() / 2];
        if line > floor * 10f64.powf(1.2) {
            count += 1;
            sum += line;
        }
    }
    (count, sum)
}

fn dropouts(audio: &Audio, found: &mut Vec<Finding>) {
    let side = (audio.rate().as_f64() * 0.005) as usize;
    let loud = |x: &[f32]| mean_square(x) >= 1e-5;
    let (mut count, mut first) = (0, None);
    for channel in audio.channels() {
        let mut i = 0;
        while i < channel.len() {
            if channel[i] != 0.0 {
                i += 1;
                continue;
            }
            let start = i;
            while i < channel.len() && channel[i] == 0.0 {
                i += 1;
            }
            let (length, whole) = (i - start, start >= side && i + side <= channel.len());
            let short = length >= 32 && length < audio.rate().hz() as usize;
            if short && whole && loud(&channel[start - side..start]) && loud(&channel[i..i + side]) {
                count += 1;
                first = first.or(Some(start));
            }
        }
    }
    if let Some(at) = first {
        let detail = format!(
            "{count} holes of exact zeros within the music, first at {:.2} s: the interface dropped samples. Raise its buffer and record \
             again.",
            seconds(at, audio.rate())
        );
        found.push(finding(FaultKind::Dropout, Severity::Stop, detail));
    }
}

fn stereo(audio: &Audio, found: &mut Vec<Finding>) {
    let [left, right] = audio.channels() else { return };
    let apart = left.iter().zip(right).map(|(l, r)| (l - r).abs()).fold(0.0f32, f32::max);
    if apart <= 1.0 / 8_388_608.0 {
        let detail = "Both channels hold the same: one mic on a stereo track. It reads 3 LU louder than as mono; use one layout for all takes.";
        found.push(finding(FaultKind::MonoInStereo, Severity::Note, detail));
        return;
    }
    let (l, r) = (mean_square(left), mean_square(right));
    if l.max(r) > 1e6 * l.min(r) {
        let which = if l < r { "left" } else { "right" };
        let detail = format!(
            "The {which} channel is more than 60 dB under the other: a cable or an input is missing? Record or export mono."
        );
        found.push(finding(FaultKind::OneChannelSilent, Severity::Warn, detail));
    }
}
