//! The simulated rig's sound: an amplifier that clips, cones as the driver model drives them, mics, a small dry room. All of it is invented;
//! what differs between two setups comes from the driver model alone.

use crate::model::random::RandomWords;
use crate::model::rig::{Mic, Rig, Setup};
use crate::rig::cards;
use crate::signal::respond::{convolve, minimum_phase};
use crate::trial::Generator;
use crate::units::SampleRate;

/// Frames that go through the rig at a time.
pub(super) const BLOCK: usize = 2048;
/// Length of a mic's impulse response.
const IMPULSE: usize = 2048;

/// Points of (Hz, dB), straight on a logarithmic axis between them, held beyond their ends.
type Curve = Vec<(f64, f64)>;

fn at(curve: &Curve, hz: f64) -> f64 {
    let Some((first, last)) = curve.first().zip(curve.last()) else { return 0.0 };
    if hz <= first.0 {
        return first.1;
    }
    if hz >= last.0 {
        return last.1;
    }
    let i = curve.partition_point(|p| p.0 <= hz).clamp(1, curve.len() - 1);
    let ((f0, d0), (f1, d1)) = (curve[i - 1], curve[i]);
    d0 + (d1 - d0) * (hz / f0).ln() / (f1 / f0).ln()
}

/// A cone with a close mic, invented; every other driver is the leaner one.
fn cone(index: usize) -> Curve {
    let fuller = [(40.0, -22.0), (85.0, -3.0), (120.0, 1.0), (400.0, -2.5), (1200.0, 0.5), (2600.0, 6.0), (3800.0, -1.0)];
    let leaner = [(40.0, -28.0), (90.0, -7.0), (180.0, 1.5), (600.0, -3.0), (1500.0, 2.5), (2900.0, 6.5), (4300.0, 0.5)];
    let top = [(6500.0, -16.0), (10_000.0, -28.0), (20_000.0, -60.0)];
    (if index.is_multiple_of(2) { fuller } else { leaner }).into_iter().chain(top).collect()
}

/// What each driver of the rig gets in a setup, by the driver model; flat where the sheet lacks its figures.
fn drives(rig: &Rig, setup: &Setup) -> Vec<Curve> {
    let hz = crate::circuit::drive::grid();
    let driven = cards::driven(rig, setup).ok().flatten();
    let of = |label: &crate::model::ids::DriverLabel| {
        let driven = driven.as_ref()?;
        let place = driven.labels().iter().position(|l| l == label)?;
        driven.levels(&hz).into_iter().nth(place).map(|db| hz.iter().copied().zip(db).collect())
    };
    if rig.drivers.is_empty() {
        return vec![vec![(1000.0, 0.0)]];
    }
    rig.drivers.iter().map(|d| of(&d.label).unwrap_or_else(|| vec![(1000.0, 0.0)])).collect()
}

/// The impulse response from the amplifier to one mic: the cones that it hears, the others 14 dB down and 0.7 ms later, and the room.
pub(super) fn impulse(rig: &Rig, setup: &Setup, mic: Option<&Mic>, rate: SampleRate, seed: u64) -> Vec<f32> {
    let drives = drives(rig, setup);
    let hears = |i: usize| {
        let near = mic.filter(|m| !m.hears.is_empty());
        near.is_none_or(|m| rig.drivers.get(i).is_some_and(|d| m.hears.contains(&d.label)))
    };
    let late = (0.0007 * rate.as_f64()) as usize;
    let mut sum = vec![0.0f32; IMPULSE];
    for (i, drive) in drives.iter().enumerate() {
        let own = cone(i);
        let (down, shift) = if hears(i) { (0.0, 0) } else { (-14.0, late) };
        let part = minimum_phase(rate, IMPULSE, |hz| at(&own, hz) + at(drive, hz) + down);
        sum.iter_mut().skip(shift).zip(part).for_each(|(s, p)| *s += p);
    }
    room(&mut sum, rate, seed);
    // The preamp's gain: the same for every setup, so that levels between setups stay what they are.
    sum.iter_mut().for_each(|v| *v *= 0.45);
    sum
}

/// A few reflections and a short tail.
fn room(impulse: &mut [f32], rate: SampleRate, seed: u64) {
    let dry = impulse.to_vec();
    for (ms, db) in [(3.1, -19.0), (5.7, -22.0), (8.3, -25.0), (13.0, -28.0)] {
        let (late, gain) = ((ms * 1e-3 * rate.as_f64()) as usize, 10f32.powf(db / 20.0));
        impulse.iter_mut().skip(late).zip(&dry).for_each(|(v, d)| *v += gain * d);
    }
    let mut random = Generator::simulated(seed);
    let loudest = dry.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    for (n, v) in impulse.iter_mut().enumerate().skip((0.005 * rate.as_f64()) as usize) {
        // 60 dB in 0.25 s.
        let fall = 10f64.powf(-3.0 * n as f64 / rate.as_f64() / 0.25);
        *v += loudest * (0.004 * fall * (2.0 * random.unit() - 1.0)) as f32;
    }
    // The end is cut softly.
    let fade = impulse.len() / 8;
    let from = impulse.len() - fade;
    impulse[from..].iter_mut().enumerate().for_each(|(n, v)| *v *= 1.0 - n as f32 / fade as f32);
}

/// The amplifier: a coupling capacitor, soft clipping a little lopsided, a duller top.
#[derive(Debug, Clone, Default)]
pub(super) struct Amplifier {
    low: f32,
    top: f32,
}

impl Amplifier {
    pub(super) fn run(&mut self, x: &mut [f32], rate: SampleRate) {
        let step = |hz: f64| (1.0 - (-2.0 * std::f64::consts::PI * hz / rate.as_f64()).exp()) as f32;
        let (low, top, bias) = (step(90.0), step(7000.0), 0.15f32);
        for v in x {
            self.low += low * (*v - self.low);
            let driven = ((*v - self.low) * 24.0 + bias).tanh() - bias.tanh();
            self.top += top * (driven - self.top);
            *v = self.top;
        }
    }

    pub(super) fn rest(&mut self) {
        *self = Self::default();
    }
}

/// Convolution block by block.
#[derive(Debug, Clone)]
pub(super) struct Convolver {
    impulse: Vec<f32>,
    tail: Vec<f32>,
}

impl Convolver {
    pub(super) fn new(impulse: Vec<f32>) -> Self {
        Self { tail: vec![0.0; impulse.len()], impulse }
    }

    pub(super) fn run(&mut self, x: &[f32]) -> Vec<f32> {
        let ringing = self.tail.iter().any(|v| *v != 0.0);
        if !ringing && x.iter().all(|v| *v == 0.0) {
            return vec![0.0; x.len()];
        }
        let mut padded = x.to_vec();
        padded.resize(x.len() + self.impulse.len(), 0.0);
        let mut out = convolve(&padded, &self.impulse);
        out.resize(padded.len(), 0.0);
        out.iter_mut().zip(&self.tail).for_each(|(o, t)| *o += t);
        self.tail = out.split_off(x.len());
        // What lies 160 dB down has died away.
        if self.tail.iter().all(|v| v.abs() < 1e-8) {
            self.tail.fill(0.0);
        }
        out
    }
}

/// A DI for who has none: an invented figure on plucked strings (K. Karplus & A. Strong 1983; from memory), a second of rest in front.
pub(super) fn invented_di(rate: SampleRate, seed: u64) -> Vec<f32> {
    let hz_rate = rate.as_f64();
    let mut random = Generator::simulated(seed);
    let notes = [40, 47, 52, 43, 50, 45, 52, 47, 40, 55, 52, 50, 45, 43, 40, 40];
    let length = (1.1 + 0.32 * notes.len() as f64 + 1.4) * hz_rate;
    let mut out = vec![0.0f32; length as usize];
    for (i, note) in notes.into_iter().enumerate() {
        let hz = 440.0 * 2f64.powf((f64::from(note) - 69.0) / 12.0);
        let period = (hz_rate / hz) as usize;
        let mut line: Vec<f32> = (0..period).map(|_| (2.0 * random.unit() - 1.0) as f32).collect();
        let from = ((1.1 + 0.32 * i as f64) * hz_rate) as usize;
        let long = ((if i + 1 == notes.len() { 1.2 } else { 0.5 }) * hz_rate) as usize;
        let hard = 0.7 + 0.3 * random.unit() as f32;
        for n in 0..long {
            let here = n % period;
            let value = line[here];
            line[here] = 0.498 * (value + line[(here + 1) % period]);
            let lift = 1.0 - (n as f32 / long as f32).powi(8);
            if let Some(to) = out.get_mut(from + n) {
                *to += hard * value * lift;
            }
        }
    }
    let peak = out.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
    out.iter().map(|v| 0.5 * v / peak + 2e-5 * (random.unit() as f32 - 0.5)).collect()
}
