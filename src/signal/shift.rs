//! Delay and warp by a windowed sinc: 96 taps, cos^2 window; on guitar material -108 dB or better against an ideal shift.

use std::f64::consts::PI;
use std::sync::OnceLock;

const HALF: i64 = 48;

fn tap(t: f64) -> f64 {
    let window = (PI * t / 98.0).cos();
    let sinc = if t.abs() < 1e-12 { 1.0 } else { (PI * t).sin() / (PI * t) };
    sinc * window * window
}

/// Outputs that are made together.
const BATCH: usize = 1024;

/// y\[n\] = x at n + `ahead`: takes a recording that is `ahead` samples late back in time. The result has `len` samples; outside x is
/// silence. A whole number of samples is a copy.
#[must_use]
pub fn advance(x: &[f32], ahead: f64, len: usize) -> Vec<f32> {
    let whole = ahead.floor();
    let part = ahead - whole;
    let base = whole as i64;
    let at = |k: i64| usize::try_from(k).ok().and_then(|k| x.get(k)).copied().unwrap_or(0.0);
    if part < 1e-9 {
        return (0..len as i64).map(|n| at(n + base)).collect();
    }
    // u = n + base + part, taps k = f-47 ..= f+48 with f = floor(u).
    let taps: Vec<f64> = (-HALF + 1..=HALF).map(|i| tap(part - i as f64)).collect();
    let mut out = Vec::with_capacity(len);
    let mut padded = vec![0.0f32; BATCH + taps.len()];
    for start in (0..len).step_by(BATCH) {
        let n = BATCH.min(len - start);
        let first = start as i64 + base - HALF + 1;
        let inside = usize::try_from(first).ok().and_then(|f| x.get(f..f + n + taps.len() - 1));
        let source = inside.unwrap_or_else(|| {
            for (p, k) in padded.iter_mut().zip(first..) {
                *p = at(k);
            }
            &padded[..n + taps.len() - 1]
        });
        // Tap by tap over many outputs: the sum of each output keeps its order, and the compiler makes vector code of it.
        let mut sums = [0.0f64; BATCH];
        for (h, from) in taps.iter().zip(source.windows(n)) {
            for (s, v) in sums.iter_mut().zip(from) {
                *s += h * f64::from(*v);
            }
        }
        out.extend(sums[..n].iter().map(|s| *s as f32));
    }
    out
}

/// Taps for fractions of a sample between which [`unwarp`] interpolates: linear between 1024 of them stays below -120 dB.
const FRACTIONS: usize = 1024;

fn fractions() -> &'static [[f64; 2 * HALF as usize]] {
    static TABLE: OnceLock<Vec<[f64; 2 * HALF as usize]>> = OnceLock::new();
    TABLE.get_or_init(|| {
        (0..=FRACTIONS)
            .map(|p| std::array::from_fn(|i| tap(p as f64 / FRACTIONS as f64 - (i as i64 - HALF + 1) as f64)))
            .collect()
    })
}

/// Undoes a clock drift: an event at frame t of the result lies at t (1 + drift/10^6) of `x`.
#[must_use]
pub fn unwarp(x: &[f32], drift_ppm: f64, len: usize) -> Vec<f32> {
    unwarp_at(x, 0.0, drift_ppm, 0, len)
}

/// The stretch of `len` frames from `start` on of a recording that is `ahead` samples late at frame 0 and drifts: an event at frame t of
/// the whole result lies at `ahead` + t (1 + drift/10^6) of `x`.
#[must_use]
pub fn unwarp_at(x: &[f32], ahead: f64, drift_ppm: f64, start: usize, len: usize) -> Vec<f32> {
    let ratio = 1.0 + drift_ppm * 1e-6;
    let table = fractions();
    let at = |k: i64| usize::try_from(k).ok().and_then(|k| x.get(k)).map_or(0.0, |v| f64::from(*v));
    (start..start + len)
        .map(|n| {
            let u = ahead + n as f64 * ratio;
            let f = u.floor();
            let place = (u - f) * FRACTIONS as f64;
            let row = (place as usize).min(FRACTIONS - 1);
            let (low, high, share) = (&table[row], &table[row + 1], place - row as f64);
            let first = f as i64 - HALF + 1;
            let mut sums = [0.0f64; 4];
            match usize::try_from(first).ok().and_then(|f| x.get(f..f + low.len())) {
                Some(source) => {
                    for ((v, l), h) in source.chunks_exact(4).zip(low.chunks_exact(4)).zip(high.chunks_exact(4)) {
                        for i in 0..4 {
                            sums[i] += f64::from(v[i]) * (l[i] + share * (h[i] - l[i]));
                        }
                    }
                }
                None => {
                    for ((k, l), h) in (first..).zip(low).zip(high) {
                        sums[0] += at(k) * (l + share * (h - l));
                    }
                }
            }
            sums.iter().sum::<f64>() as f32
        })
        .collect()
}
