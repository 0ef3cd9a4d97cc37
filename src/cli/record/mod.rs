//! `record`: the tool plays the DI, records every mic, and follows the run sheet.

mod look;
mod page;
mod plain;

use super::shell::{Outcome, Shell};
use super::values::MicArg;
use crate::capture::record::damage::DamageAt;
use crate::capture::record::patch::{PatchRequest, Simulation};
use crate::capture::record::sitting::{RecordRequest, SILENCE_S, Sitting};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::outside::SystemClock;
use std::io::IsTerminal;
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "Example:\n  cabjury record evening --mic 1=close-a --mic 2=close-b --reamp-output 3\n  \
                                  cabjury record evening --device simulated";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE)]
pub(crate) struct Args {
    /// The session's folder.
    pub(crate) folder: PathBuf,

    /// Output device by name; it records too unless --input names another. "simulated": a rig made of numbers.
    #[arg(long, value_name = "D")]
    pub(crate) device: Option<String>,
    /// Input device by name.
    #[arg(long, value_name = "D")]
    pub(crate) input: Option<String>,
    /// The output that feeds the reamp box, from 1.
    #[arg(long, value_name = "N")]
    pub(crate) reamp_output: Option<u16>,
    /// The input at which that output comes back by a cable, from 1.
    #[arg(long, value_name = "N")]
    pub(crate) loop_back: Option<u16>,
    /// INPUT=MIC (inputs from 1); default the sheet's mics in their order.
    #[arg(long = "mic", value_name = "INPUT=M")]
    pub(crate) mics: Vec<MicArg>,
    /// Frames of the device's buffer.
    #[arg(long, value_name = "FRAMES")]
    pub(crate) buffer: Option<u32>,
    /// 24, or 32 for float.
    #[arg(long, value_name = "BITS", value_parser = ["24", "32"], hide_possible_values = true)]
    pub(crate) bits: Option<String>,
    /// Takes of every setup; the run sheet that was drawn unless said, else five.
    #[arg(long, value_name = "N")]
    pub(crate) takes: Option<u32>,
    /// The DI, if the session has none yet.
    #[arg(long, value_name = "FILE")]
    pub(crate) di: Option<PathBuf>,
    /// Silence in front of the DI, in seconds.
    #[arg(long, value_name = "S", default_value_t = SILENCE_S)]
    pub(crate) count_in: f64,
    /// Silence behind it, in seconds.
    #[arg(long, value_name = "S", default_value_t = SILENCE_S)]
    pub(crate) tail: f64,
    /// Wait after the first power-on, in seconds; a quarter of it later [default: 120, simulated: 3].
    #[arg(long, value_name = "S")]
    pub(crate) warm_up: Option<f64>,
    /// Half a second of noise in front of the DI, to compare passes by.
    #[arg(long)]
    pub(crate) burst: bool,
    /// Why a load is connected that must not be; kept with every take.
    #[arg(long, value_name = "TEXT")]
    pub(crate) load_reason: Option<String>,
    /// Seed of the simulated rig; the same seed and run sheet give the same takes.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub(crate) seed: u64,
    /// What the simulated rig does wrong: hum, gain, clip, dropout, standby, under-run, over-run, lost.
    #[arg(long = "damage", value_name = "PASS=KIND")]
    pub(crate) damages: Vec<DamageAt>,
    /// Line by line, for screen readers, braille and scripts.
    #[arg(long)]
    pub(crate) plain: bool,
}

impl Args {
    fn request(&self) -> Result<RecordRequest, Failure> {
        let mut mics = Vec::new();
        for mic in &self.mics {
            let Some(input) = mic.channel else {
                let message = format!("--mic {} names no input", mic.mic);
                return Err(Failure::plain("mics", Fate::WrongUse, message, "give INPUT=MIC, as in --mic 1=close-a"));
            };
            mics.push((input, mic.mic.clone()));
        }
        Ok(RecordRequest {
            patch: PatchRequest {
                device: self.device.clone(),
                input: self.input.clone(),
                reamp_output: self.reamp_output,
                loop_back: self.loop_back,
                mics,
                buffer: self.buffer,
                bits: self.bits.as_deref().and_then(|b| b.parse().ok()),
                whole: false,
            },
            takes: self.takes,
            di: self.di.clone(),
            count_in_s: self.count_in,
            tail_s: self.tail,
            warm_up_s: self.warm_up,
            burst: self.burst,
            load_reason: self.load_reason.clone(),
            simulation: Simulation { seed: self.seed, damages: self.damages.clone() },
        })
    }
}

/// Opens the session and the device, and follows the run sheet.
pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
    let mut sitting = Sitting::open(&args.folder, args.request()?, &SystemClock)?;
    let terminal = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
    if args.plain || !terminal || shell.json() {
        plain::run(&mut sitting, shell)?;
    } else {
        page::run(&mut sitting, shell.color())?;
    }
    let doc = sitting.end();
    shell.say(&doc.summary());
    doc.warnings().iter().for_each(|line| shell.warn(line));
    shell.say(&format!("next: {}", doc.next));
    shell.document(&doc);
    Ok(Outcome::Done)
}
