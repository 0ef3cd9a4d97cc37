//! The rig sheet: TOML to records. An unknown key is an error that names the line and the nearest known key.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{DriverLabel, MicName, SetupName, WiringName};
use crate::model::rig::{Amplifier, AmplifierKind, AudioPatch, Blend, Driver, Mic, Rig, Setup, Wiring};
pub use crate::rig::sheet_error::SheetError;
use crate::rig::sheet_error::{fault, from_toml};
use crate::units::{Decibel, Hertz, Ohm, Watt};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Sheet {
    session: Option<SessionSheet>,
    amplifier: Option<AmplifierSheet>,
    #[serde(default)]
    driver: Vec<DriverSheet>,
    #[serde(default)]
    wiring: Vec<WiringSheet>,
    #[serde(default)]
    setup: Vec<SetupSheet>,
    #[serde(default)]
    mic: Vec<MicSheet>,
    #[serde(default)]
    blend: Vec<BlendSheet>,
    #[serde(default)]
    held: BTreeMap<String, toml::Value>,
    audio: Option<AudioPatch>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SessionSheet {
    title: Option<String>,
    question: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct AmplifierSheet {
    label: String,
    kind: AmplifierKind,
    rated_w: Option<Watt>,
    #[serde(default)]
    taps_ohm: Vec<Ohm>,
    min_load_ohm: Option<Ohm>,
    output_ohm_at_8: Option<Ohm>,
    allow_ratio: Option<(f64, f64)>,
    manual_note: Option<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DriverSheet {
    label: DriverLabel,
    nominal_ohm: Ohm,
    rated_w: Option<Watt>,
    re_ohm: Option<Ohm>,
    #[serde(default)]
    re_measured: bool,
    #[serde(default)]
    polarity_checked: bool,
    fs_hz: Option<Hertz>,
    qms: Option<f64>,
    qes: Option<f64>,
    le_mh: Option<f64>,
    l2_mh: Option<f64>,
    r2_ohm: Option<Ohm>,
    vas_l: Option<f64>,
    mms_g: Option<f64>,
    sd_cm2: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WiringSheet {
    name: WiringName,
    network: String,
    box_l: Option<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct SetupSheet {
    name: SetupName,
    wiring: Option<WiringName>,
    tap_ohm: Option<Ohm>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct MicSheet {
    name: MicName,
    #[serde(default)]
    hears: Vec<DriverLabel>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct BlendSheet {
    name: MicName,
    of: Vec<MicName>,
    gains_db: Vec<Decibel>,
}

/// How far two names lie apart, in slips of a finger: for rooms that propose the nearest one.
#[must_use]
pub fn distance(a: &str, b: &str) -> usize {
    strsim::osa_distance(a, b)
}

/// Reads a rig sheet.
///
/// # Errors
/// [`SheetError`]: unknown keys, numbers out of range, names that are used twice or not defined.
pub fn read_sheet(text: &str) -> Result<Rig, SheetError> {
    let sheet: Sheet = toml::from_str(text).map_err(|e| from_toml(text, &e))?;
    names_once(text, &sheet)?;
    references(text, &sheet)?;
    plausible(text, &sheet)?;
    patched(text, &sheet)?;
    let held = sheet.held.into_iter().map(|(k, v)| (k, v.as_str().map_or_else(|| v.to_string(), str::to_owned))).collect();
    let (title, question) = sheet.session.map_or((None, None), |s| (s.title, s.question));
    Ok(Rig {
        title,
        question,
        amplifier: sheet.amplifier.map(|a| Amplifier {
            label: a.label,
            kind: a.kind,
            rated_w: a.rated_w,
            taps_ohm: a.taps_ohm,
            min_load_ohm: a.min_load_ohm,
            output_ohm_at_8: a.output_ohm_at_8,
            allow_ratio: a.allow_ratio,
            manual_note: a.manual_note,
        }),
        drivers: sheet.driver.into_iter().map(driver).collect(),
        wirings: sheet.wiring.into_iter().map(|w| Wiring { name: w.name, network: w.network, box_l: w.box_l }).collect(),
        setups: sheet.setup.into_iter().map(|s| Setup { name: s.name, wiring: s.wiring, tap_ohm: s.tap_ohm }).collect(),
        mics: sheet.mic.into_iter().map(|m| Mic { name: m.name, hears: m.hears }).collect(),
        blends: sheet.blend.into_iter().map(|b| Blend { name: b.name, of: b.of, gains_db: b.gains_db }).collect(),
        held,
        audio: sheet.audio,
    })
}

/// The `[audio]` table: mics of the sheet, channels that are there and not taken twice, a form of samples that is written.
fn patched(text: &str, sheet: &Sheet) -> Result<(), SheetError> {
    let Some(audio) = &sheet.audio else { return Ok(()) };
    for mic in audio.mics.keys() {
        if !sheet.mic.is_empty() && !sheet.mic.iter().any(|m| &m.name == mic) {
            let message = format!("[audio.mics] names {:?}, which is not a mic of the sheet", mic.as_str());
            return Err(fault(text, mic.as_str(), message, "give it a [[mic]] of its own, or correct the name"));
        }
    }
    let wrong = |message: String, remedy: &str| Err(fault(text, "audio", message, remedy));
    let inputs: Vec<u16> = audio.mics.values().copied().chain(audio.loop_back).collect();
    if let Some(twice) = inputs.iter().enumerate().find(|(i, c)| inputs[..*i].contains(c)) {
        return wrong(format!("[audio]: input {} is given twice", twice.1), "give each mic an input of its own");
    }
    if inputs.iter().chain(&audio.reamp_output).any(|c| !(1..=64).contains(c)) {
        return wrong("[audio]: channels count from 1 to 64".to_owned(), "count as the interface's front does");
    }
    if audio.bits.is_some_and(|b| b != 24 && b != 32) {
        return wrong("[audio]: bits is 24, or 32 for float".to_owned(), "24 is enough for any converter");
    }
    Ok(())
}

fn driver(d: DriverSheet) -> Driver {
    Driver {
        label: d.label,
        nominal_ohm: d.nominal_ohm,
        rated_w: d.rated_w,
        re_ohm: d.re_ohm,
        re_measured: d.re_measured,
        polarity_checked: d.polarity_checked,
        fs_hz: d.fs_hz,
        qms: d.qms,
        qes: d.qes,
        le_mh: d.le_mh,
        l2_mh: d.l2_mh,
        r2_ohm: d.r2_ohm,
        vas_l: d.vas_l,
        mms_g: d.mms_g,
        sd_cm2: d.sd_cm2,
    }
}

fn names_once(text: &str, sheet: &Sheet) -> Result<(), SheetError> {
    let twice = |what: &str, names: Vec<&str>| {
        let mut seen = Vec::new();
        for name in names {
            if seen.contains(&name) {
                return Err(fault(text, name, format!("the {what} {name:?} is there twice"), "give each its own name"));
            }
            seen.push(name);
        }
        Ok(())
    };
    if let Some(name) = sheet.setup.iter().map(|s| &s.name).find(|n| n.is_reserved()) {
        let message = format!("{:?} cannot be the name of a setup: the DI is what every setup plays", name.as_str());
        return Err(fault(text, name.as_str(), message, "take a name such as \"series\" or \"s16\""));
    }
    twice("driver", sheet.driver.iter().map(|d| d.label.as_str()).collect())?;
    twice("wiring", sheet.wiring.iter().map(|w| w.name.as_str()).collect())?;
    twice("setup", sheet.setup.iter().map(|s| s.name.as_str()).collect())?;
    let mics = sheet.mic.iter().map(|m| m.name.as_str()).chain(sheet.blend.iter().map(|b| b.name.as_str()));
    twice("mic or blend", mics.collect())
}

fn references(text: &str, sheet: &Sheet) -> Result<(), SheetError> {
    let unknown = |what: &str, name: &str, known: Vec<&str>| {
        let near = known.iter().map(|k| (strsim::osa_distance(name, k), *k)).min().filter(|(d, _)| *d <= 3);
        let remedy = near.map_or_else(|| format!("the sheet has: {}", known.join(", ")), |(_, k)| format!("did you mean {k:?}?"));
        Err(fault(text, name, format!("there is no {what} {name:?} in the sheet"), &remedy))
    };
    for setup in &sheet.setup {
        if let Some(wiring) = &setup.wiring
            && !sheet.wiring.iter().any(|w| &w.name == wiring)
        {
            return unknown("wiring", wiring.as_str(), sheet.wiring.iter().map(|w| w.name.as_str()).collect());
        }
    }
    for mic in &sheet.mic {
        if let Some(label) = mic.hears.iter().find(|l| !sheet.driver.iter().any(|d| &d.label == *l)) {
            return unknown("driver", label.as_str(), sheet.driver.iter().map(|d| d.label.as_str()).collect());
        }
    }
    for blend in &sheet.blend {
        if let Some(mic) = blend.of.iter().find(|m| !sheet.mic.iter().any(|k| &k.name == *m)) {
            return unknown("mic", mic.as_str(), sheet.mic.iter().map(|m| m.name.as_str()).collect());
        }
        if blend.of.is_empty() || blend.of.len() != blend.gains_db.len() {
            let message =
                format!("the blend {:?} has {} mics and {} gains", blend.name.as_str(), blend.of.len(), blend.gains_db.len());
            return Err(fault(text, blend.name.as_str(), message, "give one gain per mic"));
        }
    }
    Ok(())
}

/// Ranges outside which a figure is a typing mistake; ours.
fn plausible(text: &str, sheet: &Sheet) -> Result<(), SheetError> {
    for d in &sheet.driver {
        let nominal = d.nominal_ohm.value();
        let out = |name: &str, value: f64, low: f64, high: f64| {
            (value < low || value > high || !value.is_finite())
                .then(|| format!("{name} = {value} of driver {:?}: it must be {low} to {high}", d.label.as_str()))
        };
        let no_power = d.rated_w.filter(|w| w.value() <= 0.0);
        let wrong = out("nominal_ohm", nominal, 1.0, 128.0)
            .or_else(|| no_power.map(|w| format!("rated_w = {} of driver {:?}: it must be above 0", w.value(), d.label.as_str())))
            .or_else(|| d.re_ohm.and_then(|v| out("re_ohm", v.value(), 0.1, nominal * 1.1)))
            .or_else(|| d.fs_hz.and_then(|v| out("fs_hz", v.value(), 15.0, 500.0)))
            .or_else(|| d.qms.and_then(|v| out("qms", v, 0.1, 50.0)))
            .or_else(|| d.qes.and_then(|v| out("qes", v, 0.1, 10.0)))
            .or_else(|| d.le_mh.and_then(|v| out("le_mh", v, 0.0, 20.0)))
            .or_else(|| d.l2_mh.and_then(|v| out("l2_mh", v, 0.0, 20.0)))
            .or_else(|| d.vas_l.and_then(|v| out("vas_l", v, 0.1, 2000.0)));
        if let Some(message) = wrong {
            return Err(fault(text, d.label.as_str(), message, "check the figure and its unit"));
        }
    }
    taps_above_zero(text, sheet)?;
    for w in &sheet.wiring {
        if w.box_l.is_some_and(|v| !(1.0..=2000.0).contains(&v)) {
            return Err(fault(
                text,
                w.name.as_str(),
                format!("box_l of wiring {:?}: it must be 1 to 2000 litre", w.name.as_str()),
                "check the figure",
            ));
        }
    }
    Ok(())
}

/// A tap or a least load of nothing fits every load; a rating of nothing fits none.
fn taps_above_zero(text: &str, sheet: &Sheet) -> Result<(), SheetError> {
    let check = "check the figure and its unit";
    if let Some(a) = &sheet.amplifier {
        let none = a.taps_ohm.iter().chain(&a.min_load_ohm).any(|t| t.value() <= 0.0);
        if none || a.rated_w.is_some_and(|w| w.value() <= 0.0) {
            return Err(fault(
                text,
                &a.label,
                "taps, least load and rated power of the amplifier must be above 0".to_owned(),
                check,
            ));
        }
    }
    match sheet.setup.iter().find(|s| s.tap_ohm.is_some_and(|t| t.value() <= 0.0)) {
        Some(s) => Err(fault(text, s.name.as_str(), format!("tap_ohm of setup {:?} must be above 0", s.name.as_str()), check)),
        None => Ok(()),
    }
}

/// Reads a rig sheet from a file.
///
/// # Errors
/// The file cannot be read, or [`SheetError`] with its path.
pub fn read_sheet_file(path: &Path) -> Result<Rig, Failure> {
    let text = std::fs::read_to_string(path).map_err(|e| {
        Failure::at_path(
            "unreadable-sheet",
            Fate::Unfit,
            path,
            format!("{} cannot be read: {e}", path.display()),
            "check the name; the sheet is a TOML text file",
        )
    })?;
    Ok(read_sheet(&text).map_err(|e| SheetError { path: Some(path.to_owned()), ..e })?)
}
