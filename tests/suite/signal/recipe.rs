//! The recipe language of `tests/reference/audio.json`: signals made by rule, as the text at the head of that file says.

use serde_json::Value;
use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::sync::Mutex;

/// A rendered signal: planar, `f64`.
#[derive(Debug, Clone)]
pub(super) struct Rendered {
    pub(super) rate: u32,
    pub(super) channels: Vec<Vec<f64>>,
}

impl Rendered {
    pub(super) fn audio(&self) -> cabjury::model::audio::Audio {
        let planes = self.channels.iter().map(|c| c.iter().map(|v| *v as f32).collect()).collect();
        cabjury::model::audio::Audio::new(cabjury::units::SampleRate::new(self.rate).unwrap(), planes).unwrap()
    }
}

fn number(value: &Value, key: &str, default: f64) -> f64 {
    match &value[key] {
        Value::Null => default,
        Value::String(s) if s == "nan" => f64::NAN,
        Value::String(s) if s == "inf" => f64::INFINITY,
        Value::String(s) if s == "-inf" => f64::NEG_INFINITY,
        other => other.as_f64().unwrap_or_else(|| panic!("{key}: {other}")),
    }
}

fn index(value: &Value, key: &str, default: usize) -> usize {
    value[key].as_u64().map_or(default, |v| v as usize)
}

fn list(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn amplitude(part: &Value) -> f64 {
    part["dbfs"].as_f64().map_or_else(|| number(part, "amp", 1.0), |d| 10f64.powf(d / 20.0))
}

fn targets(value: &Value, channels: usize) -> Vec<usize> {
    value["channels"]
        .as_array()
        .map_or_else(|| (0..channels).collect(), |a| a.iter().map(|v| v.as_u64().unwrap() as usize).collect())
}

/// Renders a recipe; `recipes` is the file's table of named ones.
pub(super) fn render(recipe: &Value, recipes: &Value) -> Rendered {
    let mut out = if let Some(name) = recipe["use"].as_str() {
        named(name, recipes)
    } else {
        let (channels, frames) = (index(recipe, "channels", 1), index(recipe, "frames", 0));
        let mut out = Rendered { rate: index(recipe, "rate", 48_000) as u32, channels: vec![vec![0.0; frames]; channels] };
        parts(&mut out, &recipe["parts"]);
        out
    };
    for op in recipe["ops"].as_array().map_or(&[][..], Vec::as_slice) {
        apply(&mut out, op);
    }
    out
}

/// A named recipe is rendered once per run: the riffs cost seconds each.
fn named(name: &str, recipes: &Value) -> Rendered {
    static DONE: Mutex<BTreeMap<String, Rendered>> = Mutex::new(BTreeMap::new());
    let known = DONE.lock().unwrap().get(name).cloned();
    known.unwrap_or_else(|| {
        let made = render(&recipes[name], recipes);
        DONE.lock().unwrap().insert(name.to_owned(), made.clone());
        made
    })
}

fn parts(out: &mut Rendered, parts: &Value) {
    for part in parts.as_array().map_or(&[][..], Vec::as_slice) {
        for c in targets(part, out.channels.len()) {
            add(out, part, c);
        }
    }
}

fn add(out: &mut Rendered, part: &Value, c: usize) {
    let rate = f64::from(out.rate);
    let amp = amplitude(part);
    let x = &mut out.channels[c];
    let start = index(part, "start", 0);
    let frames = index(part, "frames", x.len().saturating_sub(start)).min(x.len().saturating_sub(start));
    match part["type"].as_str().unwrap() {
        "sine" => {
            let (hz, phase) = (number(part, "hz", 0.0), number(part, "phase_deg", 0.0) * PI / 180.0);
            let fade = index(part, "fade", 0);
            for k in 0..frames {
                let edge = k.min(frames - 1 - k);
                let g = if edge < fade { 0.5 - 0.5 * (PI * (edge as f64 + 0.5) / fade as f64).cos() } else { 1.0 };
                x[start + k] += g * amp * (2.0 * PI * hz * k as f64 / rate + phase).sin();
            }
        }
        "noise" => {
            let channel = if part["same"].as_bool() == Some(true) { 0 } else { c as u64 };
            let seed = part["seed"].as_u64().unwrap();
            let s = seed.wrapping_mul(0xD134_2543_DE82_EF95).wrapping_add(channel.wrapping_mul(0x2545_F491_4F6C_DD1D));
            for k in 0..frames {
                let mut z = s.wrapping_add((k as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
                z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
                z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
                z ^= z >> 31;
                x[start + k] += amp * ((z >> 11) as f64 * 2f64.powi(-52) - 1.0);
            }
        }
        "plucks" => {
            let harmonics = index(part, "harmonics", 1);
            for note in part["notes"].as_array().unwrap() {
                let n = list(note);
                let (first, hz, amp, decay) = (n[0] as usize, n[1], n[2], n[3]);
                for (i, sample) in x.iter_mut().enumerate().skip(first) {
                    let t = (i - first) as f64 / rate;
                    let body: f64 = (1..=harmonics)
                        .map(|h| h as f64)
                        .filter(|h| h * hz < 0.45 * rate)
                        .map(|h| (2.0 * PI * h * hz * t).sin() / h * (-t * (1.0 + 0.3 * (h - 1.0)) / decay).exp())
                        .sum();
                    *sample += amp * (1.0 - (-t / 0.002).exp()) * body;
                }
            }
        }
        "burst" => {
            let (hz, sigma, center) = (number(part, "hz", 0.0), number(part, "sigma", 1.0), number(part, "center", 0.0));
            for (n, sample) in x.iter_mut().enumerate() {
                let d = n as f64 - center;
                *sample += amp * (2.0 * PI * hz * d / rate).cos() * (-0.5 * (d / sigma).powi(2)).exp();
            }
        }
        "impulse" => x[index(part, "frame", 0)] += number(part, "value", 1.0),
        other => panic!("part {other}"),
    }
}

fn apply(out: &mut Rendered, op: &Value) {
    let name = op["op"].as_str().unwrap();
    if name == "add" {
        return parts(out, &op["parts"]);
    }
    if name == "copy" {
        let copied = out.channels[index(op, "from", 0)].clone();
        let to = index(op, "to", 1);
        if to >= out.channels.len() {
            out.channels.resize(to + 1, Vec::new());
        }
        out.channels[to] = copied;
        return;
    }
    for c in targets(op, out.channels.len()) {
        let x = &mut out.channels[c];
        match name {
            "gain_db" => scale(x, 10f64.powf(number(op, "db", 0.0) / 20.0)),
            "gain" => scale(x, number(op, "factor", 1.0)),
            "tanh" => x.iter_mut().for_each(|v| *v = (number(op, "drive", 1.0) * *v).tanh()),
            "iir" => iir(x, &list(&op["b"]), &list(&op["a"])),
            "clip" => {
                let limit = number(op, "limit", 1.0);
                x.iter_mut().for_each(|v| *v = v.clamp(-limit, limit));
            }
            "offset" => x.iter_mut().for_each(|v| *v += number(op, "value", 0.0)),
            "zero" => {
                let start = index(op, "start", 0);
                let end = (start + index(op, "frames", x.len())).min(x.len());
                x[start..end].fill(0.0);
            }
            "set" => x[index(op, "frame", 0)] = number(op, "value", 0.0),
            "f32" => x.iter_mut().for_each(|v| *v = f64::from(*v as f32)),
            "quantize" => {
                let q = 2f64.powf(number(op, "bits", 16.0) - 1.0);
                x.iter_mut().for_each(|v| *v = (*v * q).round().clamp(-q, q - 1.0) / q);
            }
            "crop" => {
                let (start, frames) = (op["start"].as_i64().unwrap_or(0), index(op, "frames", x.len()));
                *x = (0..frames as i64)
                    .map(|k| usize::try_from(start + k).ok().and_then(|i| x.get(i)).copied().unwrap_or(0.0))
                    .collect();
            }
            "warp" => *x = warp(x, number(op, "drift_ppm", 0.0), number(op, "delay", 0.0)),
            other => panic!("op {other}"),
        }
    }
}

fn scale(x: &mut [f64], factor: f64) {
    x.iter_mut().for_each(|v| *v *= factor);
}

fn iir(x: &mut [f64], b: &[f64], a: &[f64]) {
    let (mut x1, mut x2, mut y1, mut y2) = (0.0, 0.0, 0.0, 0.0);
    for v in x {
        let y = b[0] * *v + b[1] * x1 + b[2] * x2 - a[0] * y1 - a[1] * y2;
        (x2, x1, y2, y1) = (x1, *v, y1, y);
        *v = y;
    }
}

fn warp(x: &[f64], drift_ppm: f64, delay: f64) -> Vec<f64> {
    let sinc = |v: f64| if v.abs() < 1e-15 { 1.0 } else { (PI * v).sin() / (PI * v) };
    (0..x.len())
        .map(|n| {
            let u = (n as f64 - delay) / (1.0 + drift_ppm * 1e-6);
            let f = u.floor() as i64;
            (f - 47..=f + 48)
                .filter(|k| *k >= 0 && (*k as usize) < x.len())
                .map(|k| {
                    let t = u - k as f64;
                    x[k as usize] * sinc(t) * (PI * t / 98.0).cos().powi(2)
                })
                .sum()
        })
        .collect()
}
