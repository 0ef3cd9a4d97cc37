//! `sheet`: a commented rig sheet, written from a few facts or from what the session knows.

use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{DriverLabel, MicName, SetupName, WiringName};
use crate::model::rig::AmplifierKind;
use crate::model::rig::Rig;
use crate::rig::sheet::{SheetError, read_sheet};
use crate::store::Session;
use crate::units::{Ohm, Watt};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// What is known; the rest stands in the sheet as comments.
#[derive(Debug, Clone, Default)]
pub struct Facts {
    /// The amplifier's kind.
    pub kind: Option<AmplifierKind>,
    /// Its rated power.
    pub rated: Option<Watt>,
    /// Its taps; of a solid-state one the least load.
    pub taps: Vec<Ohm>,
    /// Drivers: label, rated impedance, rated power.
    pub drivers: Vec<(DriverLabel, Ohm, Option<Watt>)>,
    /// Wirings and their networks.
    pub wirings: Vec<(WiringName, String)>,
    /// Setups: wiring and tap.
    pub setups: Vec<(SetupName, WiringName, Ohm)>,
    /// Mics and the drivers that they hear.
    pub mics: Vec<(MicName, Vec<DriverLabel>)>,
}

/// The document of `sheet`.
#[derive(Debug, Clone, Serialize)]
pub struct SheetDoc {
    /// The sheet.
    pub sheet: String,
    /// Where it was written.
    pub path: Option<String>,
    /// The next command.
    pub next: String,
}

/// A text as TOML has it.
fn text(value: &str) -> String {
    format!("\"{}\"", value.replace('\\', "\\\\").replace('"', "\\\""))
}

fn list<T: ToString>(values: &[T], word: impl Fn(&T) -> String) -> String {
    format!("[{}]", values.iter().map(word).collect::<Vec<_>>().join(", "))
}

/// The sheet's text. What is not known stands there as a comment, so that nothing invented is taken for a fact.
fn written(facts: &Facts, rig: &Rig, title: Option<&str>) -> String {
    let mut out = String::from(
        "# The rig sheet of this session. Lines that begin with # are comments: take the # away and put your own figures in.\n\
         # Read it in with: cabjury rig FOLDER --sheet THIS-FILE\n\n[session]\n",
    );
    // Writing into a String cannot fail.
    let _ = writeln!(out, "title = {}", text(title.unwrap_or("An evening")));
    out.push_str("# question = \"What do you want to know?\"\n\n");
    amplifier(&mut out, facts);
    out.push_str("\n# One block per driver: label, rated impedance and power are on its back; re_ohm is a meter reading.\n");
    for (label, ohm, watt) in &facts.drivers {
        let _ = writeln!(out, "[[driver]]\nlabel = {}\nnominal_ohm = {}", text(label.as_str()), ohm.value());
        match watt {
            Some(watt) => drop(writeln!(out, "rated_w = {}", watt.value())),
            None => out.push_str("# rated_w = 60\n"),
        }
        out.push_str("# re_ohm = 6.5              # read with a meter: add re_measured = true\n# polarity_checked = true\n# fs_hz = 78.0              # fs_hz, qms, qes, le_mh: the data sheet's\n\n");
    }
    if facts.drivers.is_empty() {
        out.push_str("# [[driver]]\n# label = \"A\"\n# nominal_ohm = 8\n# rated_w = 60\n\n");
    }
    out.push_str("# How the drivers are wired: + is in series, || in parallel, brackets group.\n");
    for (name, network) in &facts.wirings {
        let _ = writeln!(out, "[[wiring]]\nname = {}\nnetwork = {}\n", text(name.as_str()), text(network));
    }
    if facts.wirings.is_empty() {
        out.push_str("# [[wiring]]\n# name = \"series\"\n# network = \"A + B\"\n\n");
    }
    setups(&mut out, facts, rig);
    mics(&mut out, facts, rig);
    out.push_str("# Everything that must stay the same, under any key.\n[held]\n# gain = \"4.5\"\n# room = \"door shut\"\n");
    out
}

fn amplifier(out: &mut String, facts: &Facts) {
    if facts.kind.is_none() && facts.taps.is_empty() && facts.rated.is_none() {
        out.push_str("# [amplifier]\n# label = \"head\"\n# kind = \"valve\"            # valve | solid-state\n# rated_w = 50\n# taps_ohm = [4, 8, 16]     # solid-state: min_load_ohm = 4\n");
        return;
    }
    let solid = facts.kind == Some(AmplifierKind::SolidState);
    let kind = if solid { "solid-state" } else { "valve" };
    let _ = writeln!(out, "[amplifier]\nlabel = \"head\"\nkind = \"{kind}\"");
    match facts.rated {
        Some(watt) => drop(writeln!(out, "rated_w = {}", watt.value())),
        None => out.push_str("# rated_w = 50\n"),
    }
    match (solid, facts.taps.first()) {
        (true, Some(least)) => drop(writeln!(out, "min_load_ohm = {}", least.value())),
        (false, Some(_)) => drop(writeln!(out, "taps_ohm = {}", list(&facts.taps, |t| t.value().to_string()))),
        (_, None) => out.push_str("# taps_ohm = [4, 8, 16]     # solid-state: min_load_ohm = 4\n"),
    }
    out.push_str("# output_ohm_at_8 = 8.0     # seen on the 8 ohm tap, if you have measured it\n");
}

fn setups(out: &mut String, facts: &Facts, rig: &Rig) {
    out.push_str("# A setup is a wiring on a tap; takes are recorded under its name.\n");
    for (name, wiring, tap) in &facts.setups {
        let _ = writeln!(
            out,
            "[[setup]]\nname = {}\nwiring = {}\ntap_ohm = {}\n",
            text(name.as_str()),
            text(wiring.as_str()),
            tap.value()
        );
    }
    for setup in rig.setups.iter().filter(|s| !facts.setups.iter().any(|f| f.0 == s.name)) {
        let _ = writeln!(out, "[[setup]]\nname = {}", text(setup.name.as_str()));
        match (&setup.wiring, setup.tap_ohm) {
            (Some(wiring), Some(tap)) => drop(writeln!(out, "wiring = {}\ntap_ohm = {}\n", text(wiring.as_str()), tap.value())),
            _ => out.push_str("# wiring = \"series\"\n# tap_ohm = 16\n\n"),
        }
    }
    if facts.setups.is_empty() && rig.setups.is_empty() {
        out.push_str("# [[setup]]\n# name = \"s16\"\n# wiring = \"series\"\n# tap_ohm = 16\n\n");
    }
}

fn mics(out: &mut String, facts: &Facts, rig: &Rig) {
    out.push_str("# Mics, if there are several, and the drivers that each hears; a blend is a stated sum of them.\n");
    let known = rig.mics.iter().map(|m| (m.name.clone(), m.hears.clone()));
    let more = known.filter(|(name, _)| !facts.mics.iter().any(|f| &f.0 == name));
    for (name, hears) in facts.mics.iter().cloned().chain(more) {
        let _ = writeln!(out, "[[mic]]\nname = {}", text(name.as_str()));
        if !hears.is_empty() {
            let _ = writeln!(out, "hears = {}", list(&hears, |d| text(d.as_str())));
        }
        out.push('\n');
    }
    out.push_str("# [[blend]]\n# name = \"both\"\n# of = [\"close-a\", \"close-b\"]\n# gains_db = [0.0, 0.0]\n\n");
}

/// Writes a new sheet beside the session, or where it is told to; nothing that exists is overwritten.
///
/// # Errors
/// The facts contradict each other (as the sheet's own errors say), or the file exists.
pub fn new_sheet(folder: &Path, facts: &Facts, out: Option<&Path>) -> Result<SheetDoc, Failure> {
    let session = Session::open_read(folder)?;
    let rig = session.rig()?;
    if !rig.drivers.is_empty() && facts.drivers.is_empty() {
        let message = "the session has a described rig already";
        return Err(Failure::plain(
            "rig-described",
            Fate::Refused,
            message,
            "change the sheet that it was read in from, and read that in again",
        ));
    }
    let sheet = written(facts, &rig, session.note("title")?.as_deref());
    // What is written can be read in: a name that is not there is told now, by its line.
    read_sheet(&sheet).map_err(|e| SheetError { path: None, ..e })?;
    let path = out.map_or_else(|| folder.join("rig.toml"), PathBuf::from);
    let failed = |e: &std::io::Error| match e.kind() {
        std::io::ErrorKind::AlreadyExists => {
            let message = format!("{} exists already, and nothing is overwritten", path.display());
            Failure::at_path(
                "exists-already",
                Fate::Refused,
                &path,
                message,
                "choose another name with --out, or move the old file away",
            )
        }
        _ => {
            let message = format!("{} cannot be written: {e}", path.display());
            Failure::at_path("cannot-write", Fate::Failed, &path, message, "check the folder, or choose another file with --out")
        }
    };
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(&path).map_err(|e| failed(&e))?;
    file.write_all(sheet.as_bytes()).and_then(|()| file.sync_all()).map_err(|e| failed(&e))?;
    let next = format!("cabjury rig {} --sheet {}", quoted(folder), quoted(&path));
    Ok(SheetDoc { sheet, path: Some(path.display().to_string()), next })
}
