//! `sheet`: a commented rig sheet from flags or a few questions.

use super::ask;
use super::shell::{Outcome, Shell};
use super::values::{AmpArg, DriverArg, HearingArg, OhmArg, SetupOnTapArg, WiringArg};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::AmplifierKind;
use crate::rig::new_sheet::{Facts, new_sheet};
use crate::units::Watt;
use std::path::PathBuf;
use std::str::FromStr;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury sheet evening --new
  cabjury sheet evening --new --driver A=8,60 --driver B=8,60 --tap 4 --tap 16 --wiring \"series=A + B\" --setup s16=series@16";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Writes a new sheet; what is not said stands in it as comments.
    #[arg(long, required = true)]
    pub(crate) new: bool,
    /// A driver: label, rated impedance and power.
    #[arg(long = "driver", value_name = "L=OHM[,W]")]
    pub(crate) drivers: Vec<DriverArg>,
    /// The amplifier's kind.
    #[arg(long, value_name = "KIND")]
    pub(crate) amp: Option<AmpArg>,
    /// The amplifier's rated power.
    #[arg(long, value_name = "W")]
    pub(crate) amp_w: Option<f64>,
    /// An output tap; of a solid-state amplifier the least load.
    #[arg(long = "tap", value_name = "OHM")]
    pub(crate) taps: Vec<OhmArg>,
    /// A wiring and its network, as in "series=A + B".
    #[arg(long = "wiring", value_name = "NAME=NETWORK")]
    pub(crate) wirings: Vec<WiringArg>,
    /// A setup: a wiring on a tap.
    #[arg(long = "setup", value_name = "NAME=WIRING@OHM")]
    pub(crate) setups: Vec<SetupOnTapArg>,
    /// A mic and the drivers that it hears.
    #[arg(long = "mic", value_name = "NAME[=L,...]")]
    pub(crate) mics: Vec<HearingArg>,
    /// Where to write it; default rig.toml in the session's folder. Nothing that exists is overwritten.
    #[arg(long, value_name = "FILE")]
    pub(crate) out: Option<PathBuf>,
}

/// Writes the sheet.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let mut facts = Facts {
        kind: args.amp.map(kind),
        rated: args.amp_w.map(Watt::new).transpose()?,
        taps: args.taps.iter().map(|t| t.0).collect(),
        drivers: args.drivers.iter().map(|d| (d.label.clone(), d.nominal, d.rated)).collect(),
        wirings: args.wirings.iter().map(|w| (w.name.clone(), w.network.clone())).collect(),
        setups: args.setups.iter().map(|s| (s.name.clone(), s.wiring.clone(), s.tap)).collect(),
        mics: args.mics.iter().map(|m| (m.name.clone(), m.hears.clone())).collect(),
    };
    let silent = facts.kind.is_none()
        && facts.taps.is_empty()
        && facts.drivers.is_empty()
        && facts.wirings.is_empty()
        && facts.setups.is_empty();
    if silent && !shell.json() && ask::somebody() {
        asked(&mut facts)?;
    }
    let doc = new_sheet(&args.folder, &facts, args.out.as_deref())?;
    shell.say(&format!("written: {}\nlook it through, then:\n  {}", doc.path.as_deref().unwrap_or("-"), doc.next));
    shell.document(&doc);
    Ok(Outcome::Done)
}

fn kind(amp: AmpArg) -> AmplifierKind {
    match amp {
        AmpArg::Valve => AmplifierKind::Valve,
        AmpArg::SolidState => AmplifierKind::SolidState,
    }
}

/// Answers of one kind, as many as stand in a line; Enter leaves them out. What cannot be understood is asked for again.
fn several<T: FromStr<Err = String>>(question: &str, between: char) -> Result<Vec<T>, Failure> {
    for _ in 0..5 {
        let answer = ask::line(&format!("{question}\n> "))?;
        let parts: Result<Vec<T>, String> =
            answer.split(between).map(str::trim).filter(|p| !p.is_empty()).map(|p| p.parse()).collect();
        match parts {
            Ok(parts) => return Ok(parts),
            Err(wrong) => drop(ask::line(&format!("{wrong}. Enter asks again. "))?),
        }
    }
    Err(Failure::plain("answers", Fate::WrongUse, "the answers were not understood", "use the options: cabjury sheet --help"))
}

fn asked(facts: &mut Facts) -> Result<(), Failure> {
    let drivers: Vec<DriverArg> =
        several("Drivers, label=ohm,watt with spaces between, as in A=8,60 B=8,30 (Enter leaves it out)", ' ')?;
    facts.drivers = drivers.into_iter().map(|d| (d.label, d.nominal, d.rated)).collect();
    if ask::yes("Is it a valve amplifier?")? {
        facts.kind = Some(AmplifierKind::Valve);
        facts.taps = several::<OhmArg>("Its taps in ohm, as in 4 8 16", ' ')?.into_iter().map(|t| t.0).collect();
    } else {
        facts.kind = Some(AmplifierKind::SolidState);
        facts.taps = several::<OhmArg>("The least load in ohm, as in 4", ' ')?.into_iter().map(|t| t.0).collect();
    }
    let wirings: Vec<WiringArg> = several("Wirings with semicolons between, as in series=A + B; parallel=A || B", ';')?;
    facts.wirings = wirings.into_iter().map(|w| (w.name, w.network)).collect();
    let setups: Vec<SetupOnTapArg> = several("Setups: a wiring on a tap, as in s16=series@16 p4=parallel@4", ' ')?;
    facts.setups = setups.into_iter().map(|s| (s.name, s.wiring, s.tap)).collect();
    let mics: Vec<HearingArg> = several("Mics and the drivers that each hears, as in close-a=A room=A,B", ' ')?;
    facts.mics = mics.into_iter().map(|m| (m.name, m.hears)).collect();
    Ok(())
}
