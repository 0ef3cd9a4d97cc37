//! `load`: load, grade, shares, meter reading and cautions of a wiring, without a session.

use super::shell::{Outcome, Shell, Tone, columns};
use super::values::{AmpArg, DriverArg};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::{AmplifierKind, Driver};
use crate::rig::load::{Grade, LoadDoc, load};
use crate::rig::warning::CLIPPING;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury load \"A + B\" --driver A=8,30 --driver B=8,60 --tap 16";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE, override_usage = "cabjury load [OPTIONS] --driver <L=OHM[,W]> --tap <OHM> <WIRING>")]
pub(crate) struct Args {
    /// The wiring: "A + B" (series), "A // B" (parallel; || is read too), "(A + B) // (C + D)"; "-A" is A reversed. Quote it.
    #[arg(allow_hyphen_values = true)]
    pub(crate) wiring: String,
    /// A driver: label, rated ohms, and rated watts if known.
    #[arg(long = "driver", value_name = "L=OHM[,W]")]
    pub(crate) drivers: Vec<DriverArg>,
    /// The amplifier's tap in ohm; for solid-state the least load allowed.
    #[arg(long, value_name = "OHM")]
    pub(crate) tap: Option<f64>,
    /// Kind of amplifier.
    #[arg(long, value_name = "KIND", default_value = "valve")]
    pub(crate) amp: AmpArg,
}

/// Judges and prints.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let kind = match args.amp {
        AmpArg::Valve => AmplifierKind::Valve,
        AmpArg::SolidState => AmplifierKind::SolidState,
    };
    let drivers: Vec<Driver> = args.drivers.iter().map(driver).collect();
    // An unquoted || ends the command for a shell, and the options go with the rest: said here, where the sign can be named.
    let Some(tap) = args.tap.filter(|_| !drivers.is_empty()) else { return Err(cut_short(args)) };
    let doc = load(&args.wiring, &drivers, tap, kind)?;
    shell.say(&text(&doc, kind, shell));
    shell.document(&doc);
    Ok(if doc.refused() { Outcome::Refused } else { Outcome::Done })
}

fn cut_short(args: &Args) -> Failure {
    let missing = if args.drivers.is_empty() { "--driver LABEL=OHM" } else { "--tap OHM" };
    let message = format!("{missing} is missing behind the wiring {}", args.wiring);
    let next = format!(
        "add it, as in: cabjury load \"A // B\" --driver A=8 --driver B=8 --tap 4; if you typed || without quotes, the shell kept the rest for itself: write {}//B",
        args.wiring.trim()
    );
    Failure::plain("wrong-use", Fate::WrongUse, message, next)
}

fn driver(arg: &DriverArg) -> Driver {
    Driver {
        label: arg.label.clone(),
        nominal_ohm: arg.nominal,
        rated_w: arg.rated,
        re_ohm: None,
        re_measured: false,
        polarity_checked: false,
        fs_hz: None,
        qms: None,
        qes: None,
        le_mh: None,
        l2_mh: None,
        r2_ohm: None,
        vas_l: None,
        mms_g: None,
        sd_cm2: None,
    }
}

/// Breaks a line at spaces so that it fits 80 columns, or a terminal that has fewer; every line begins with its own indent.
pub(super) fn wrapped(text: &str, first: &str, rest: &str) -> String {
    let width = columns().unwrap_or(80).min(80);
    let (mut out, mut line) = (String::new(), first.to_owned());
    let mut fresh = true;
    for word in text.split_whitespace() {
        if !fresh && line.chars().count() + 1 + word.chars().count() > width {
            out.push_str(&line);
            out.push('\n');
            line = rest.to_owned();
            fresh = true;
        }
        if !fresh {
            line.push(' ');
        }
        line.push_str(word);
        fresh = false;
    }
    out + &line + "\n"
}

/// The colour of a grade.
fn tone(grade: Grade) -> Tone {
    match grade {
        Grade::Matched => Tone::Good,
        Grade::Tolerated => Tone::Mind,
        Grade::DoNotConnect => Tone::Stop,
    }
}

/// A wiring card as text.
pub(super) fn text(doc: &LoadDoc, kind: AmplifierKind, shell: &Shell) -> String {
    let tap =
        if kind == AmplifierKind::Valve { format!("{} ohm tap", doc.tap_ohm) } else { format!("least load {} ohm", doc.tap_ohm) };
    let grade = shell.toned(tone(doc.grade), doc.grade_text());
    let ratio = doc.ratio.map_or_else(String::new, |r| format!(", ratio {r:.2}"));
    let mut out = format!("{}\n  load {} on the {tap}{ratio}: {grade}\n", doc.wiring, doc.load_ohm);
    for reason in &doc.reasons {
        out.push_str(&wrapped(reason, "    ", "    "));
    }
    let band = match (doc.meter_ohm.low, doc.meter_ohm.high) {
        (Some(low), Some(high)) => format!("{low:.2} to {high:.2} ohm"),
        _ => "open".to_owned(),
    };
    out.push_str(&format!("  the ohmmeter should read about {} ({band})\n", doc.meter_ohm.expected));
    for d in &doc.drivers {
        let rated = d.rated_w.map_or_else(String::new, |w| format!(" (rated {w} W)"));
        let limit = if d.limiting { ", limits the cab" } else { "" };
        out.push_str(&format!("  {} takes {:.1} % of the power{rated}{limit}\n", d.driver, 100.0 * d.share));
    }
    if let Some(w) = doc.largest_amp_w {
        let text = format!("by the ratings you entered the cab takes {w:.0} W; {}", CLIPPING);
        out.push_str(&wrapped(&text, "  ", "    "));
    }
    for caution in &doc.cautions {
        out.push_str(&wrapped(caution, "  ! ", "    "));
    }
    out
}
