//! Sound to test with: the four real guitar recordings (CC0, Debian's sonic-pi-samples), an invented riff, and known changes to both.

use sha2::{Digest, Sha256};
use std::f64::consts::PI;
use std::path::{Path, PathBuf};

/// The four recordings with the SHA-256 of the files as Debian 12 ships them (version 3.2.2~repack-8).
pub(crate) const RECORDINGS: [(&str, &str); 4] = [
    ("guit_e_fifths", "b609553b02becbada9ec00a6a13e88bbde6b7ce29098063f4b3f27209ff13f79"),
    ("guit_e_slide", "80626ddea79461012cabafe4ca5e70ce0bdb00a42e6601730b1ff76ab84c13ea"),
    ("guit_em9", "e6dbbdc5aef03fada9cbd84d9ef000472c6954db9badcf5721969c515d46c2f1"),
    ("guit_harmonics", "197dc69798e07641f2003f394645155e4077d1d75fa6eb44a66f3a00b07e73ee"),
];

/// Where a recording lies; fails with the way out when it does not.
pub(crate) fn recording(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/fetched/{name}.flac"));
    let bytes = std::fs::read(&path)
        .unwrap_or_else(|error| panic!("{}: {error}. Run tests/run once: it fetches the real recordings", path.display()));
    let digest: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
    let wanted = RECORDINGS.iter().find(|(n, _)| *n == name).unwrap().1;
    assert_eq!(digest, wanted, "{} is another file than Debian 12 ships", path.display());
    path
}

/// A small generator for test noise (splitmix64, Steele et al. 2014; from memory).
#[derive(Debug, Clone)]
pub(crate) struct Noise(pub(crate) u64);

impl Noise {
    /// Uniform in [-1, 1).
    pub(crate) fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// An invented riff, mono: decaying harmonics, one note every 0.35 s after half a second of rest.
pub(crate) fn riff(seconds: f64, rate: u32) -> Vec<f64> {
    let frames = (seconds * f64::from(rate)) as usize;
    let mut out = vec![0.0; frames];
    let notes = [82.41, 110.0, 123.47, 98.0, 146.83, 164.81, 110.0, 196.0];
    for (i, start) in (0..).map(|i| (i, 0.5 + 0.35 * f64::from(i))).take_while(|(_, s)| *s < seconds - 0.2) {
        let hz = notes[i as usize % notes.len()];
        let first = (start * f64::from(rate)) as usize;
        for (n, sample) in out.iter_mut().enumerate().skip(first) {
            let t = (n - first) as f64 / f64::from(rate);
            let body: f64 =
                (1..12).map(f64::from).map(|h| (2.0 * PI * h * hz * t).sin() / h * (-t * (1.0 + 0.3 * h) / 0.6).exp()).sum();
            *sample += 0.2 * (1.0 - (-t / 0.002).exp()) * body;
        }
    }
    out
}

/// The same riff as a clock hears it that runs `ppm` slow: what lies at frame t of `riff_by_clock(.., 0.0)` lies at t (1 + ppm / 10^6) here.
/// Computed from the notes themselves, so that no resampler has touched it.
pub(crate) fn riff_by_clock(seconds: f64, rate: u32, ppm: f64) -> Vec<f64> {
    let frames = (seconds * f64::from(rate)) as usize;
    let notes = [82.41, 110.0, 123.47, 98.0, 146.83, 164.81, 110.0, 196.0];
    let starts: Vec<(f64, f64)> = (0..)
        .map(|i| (0.5 + 0.35 * f64::from(i), notes[i as usize % notes.len()]))
        .take_while(|(s, _)| *s < seconds - 0.2)
        .collect();
    (0..frames)
        .map(|n| {
            let now = n as f64 / f64::from(rate) / (1.0 + ppm * 1e-6);
            let sounding = starts.iter().filter(|(s, _)| now > *s && now < s + 1.5);
            let note = |(start, hz): &(f64, f64)| {
                let t = now - start;
                let body: f64 =
                    (1..12).map(f64::from).map(|h| (2.0 * PI * h * hz * t).sin() / h * (-t * (1.0 + 0.3 * h) / 0.3).exp()).sum();
                0.2 * (1.0 - (-t / 0.002).exp()) * body
            };
            sounding.map(note).sum()
        })
        .collect()
}

/// Times a gain in dB.
pub(crate) fn gain(x: &[f64], db: f64) -> Vec<f64> {
    let factor = 10f64.powf(db / 20.0);
    x.iter().map(|v| v * factor).collect()
}

/// Later by so many whole frames (earlier when negative); the length grows or shrinks with it.
pub(crate) fn later(x: &[f64], frames: i64) -> Vec<f64> {
    if frames >= 0 {
        std::iter::repeat_n(0.0, frames as usize).chain(x.iter().copied()).collect()
    } else {
        x[frames.unsigned_abs() as usize..].to_vec()
    }
}

/// A peaking equaliser: R. Bristow-Johnson, "Audio EQ Cookbook" (formula from memory).
pub(crate) fn peaking(x: &[f64], rate: u32, hz: f64, q: f64, db: f64) -> Vec<f64> {
    let a = 10f64.powf(db / 40.0);
    let w = 2.0 * PI * hz / f64::from(rate);
    let alpha = w.sin() / (2.0 * q);
    let (b0, b1, b2) = (1.0 + alpha * a, -2.0 * w.cos(), 1.0 - alpha * a);
    let (a0, a1, a2) = (1.0 + alpha / a, -2.0 * w.cos(), 1.0 - alpha / a);
    let (mut z1, mut z2) = (0.0, 0.0);
    x.iter()
        .map(|v| {
            let y = (b0 * v + z1) / a0;
            z1 = b1 * v - a1 * y + z2;
            z2 = b2 * v - a2 * y;
            y
        })
        .collect()
}

/// Adds white noise of so many dB rms of full scale.
pub(crate) fn noisy(x: &[f64], db: f64, seed: u64) -> Vec<f64> {
    let mut noise = Noise(seed);
    // A uniform in [-1, 1) has an rms of 1/sqrt(3).
    let amp = 10f64.powf(db / 20.0) * 3f64.sqrt();
    x.iter().map(|v| v + amp * noise.next()).collect()
}

/// Writes one channel as a 24-bit WAV by hound, the general library.
pub(crate) fn write_wav(path: &Path, rate: u32, x: &[f64]) {
    let spec = hound::WavSpec { channels: 1, sample_rate: rate, bits_per_sample: 24, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for v in x {
        assert!(v.abs() < 1.0, "test material clips: {v}");
        writer.write_sample((v * 8_388_608.0).round() as i32).unwrap();
    }
    writer.finalize().unwrap();
}
