//! `demo`: the invented shootout from rig to report, through the same requests as a real one.
//!
//! * [`material`]: the recordings: riff, amplifier, cones, takes
//! * `ear`: the simulated listeners

mod ear;
mod filter;
pub mod material;
mod riff;
mod rig;

use crate::capture::check;
use crate::capture::runsheet;
use crate::capture::session;
use crate::capture::take as intake;
use crate::matching::match_takes as prepare;
use crate::model::audio::Audio;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{MicName, SetupName};
use crate::model::outside::{Clock, Progress};
use crate::model::rig::Rig;
use crate::model::session::{Depth, MeterValue};
use crate::model::trial::{Conditions, Controls};
use crate::publish::report::gather::INVENTED;
use crate::publish::report::{VerdictLine, report};
use crate::rig::cards as rigs;
use crate::rig::ohmmeter as meter;
use crate::rig::sheet;
use crate::sound::write::write_wav24;
use crate::store::Session;
use crate::testing::plan;
use crate::testing::trials::Trials;
use crate::trial::Generator;
use crate::units::{Ohm, SampleRate};
use crate::verdict::closing::freeze;
use ear::Ear;
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};

/// The demo's rig sheet, the very file that lies in `sessions/`.
pub const SHEET: &str = include_str!("../../sessions/demo-rig.toml");

/// What stands at the head of every report of the demo.
const NOTICE: &str = "Invented: the rig, the sound and the listeners are made up by a program to show how a shootout goes. Nothing here says \
                      anything about real wirings or real ears.";

/// Takes of each setup: what a claim about the wiring needs.
const TAKES: u32 = runsheet::TAKES;

/// What the invented ohmmeter showed.
const METERED: [(&str, f64); 2] = [("series", 13.6), ("parallel", 3.5)];

/// The document of `demo`.
#[derive(Debug, Clone, Serialize)]
pub struct DemoDoc {
    /// The session's folder.
    pub session: String,
    /// The seed.
    pub seed: u64,
    /// Takes imported, the DI included.
    pub takes: usize,
    /// Largest difference in loudness that matching left.
    pub largest_mismatch_lu: f64,
    /// Verdicts.
    pub verdicts: Vec<VerdictLine>,
    /// Where the report lies.
    pub report: String,
    /// What to look at next.
    pub next: Vec<String>,
}

/// Goes through the whole shootout. Without a folder: `sessions/demo`, then `sessions/demo-2` and so on.
///
/// # Errors
/// The folder holds something; the disk refuses.
pub fn demo(folder: Option<&Path>, seed: u64, clock: &dyn Clock, progress: &dyn Progress) -> Result<DemoDoc, Failure> {
    let folder = folder.map_or_else(next_folder, |f| Ok(f.to_owned()))?;
    let mut random = Generator::simulated(seed);
    let rig = sheet::read_sheet(SHEET)?;
    let drives = drives(&rig)?;
    session::new(&folder, None, Some(rig), &[], clock, progress)?;
    Session::open_write(&folder, clock.now())?.set_note(INVENTED, NOTICE, clock.now())?;
    for (wiring, ohm) in METERED {
        let reading = meter::Reading { wiring, value: MeterValue::Ohm(Ohm::new(ohm)?), load_reason: None };
        meter::meter(&folder, &reading, clock)?;
    }
    let takes = capture(&folder, &drives, &mut random, clock, progress)?;
    check::check(&folder, clock, progress)?;
    let request = prepare::Request::usual(Vec::new(), false)?;
    let matched = prepare::match_clips(&folder, &request, clock, progress)?;
    listening(&folder, &mut random, clock, progress)?;
    let written = report(&folder, None, clock)?;
    let shown = folder.display();
    Ok(DemoDoc {
        session: shown.to_string(),
        seed,
        takes,
        largest_mismatch_lu: matched.largest_mismatch_lu,
        verdicts: written.verdicts,
        report: written.path,
        next: vec![
            format!("cabjury score {shown}"),
            format!("cabjury audit {shown}"),
            format!("cabjury plan {shown} --compare s16,p4 --mic close-b"),
            format!("cabjury listen {shown} --listener me"),
        ],
    })
}

/// What each of the two drivers gets in each setup, by the driver model.
fn drives(rig: &Rig) -> Result<Vec<material::Drive>, Failure> {
    let mut out = Vec::new();
    for setup in rigs::describe(rig)?.setups {
        let curve = |label: &str| {
            let drive = setup.drive.iter().find(|d| d.driver == label)?;
            Some(drive.hz.iter().copied().zip(drive.db.iter().copied()).collect())
        };
        let (Some(a), Some(b)) = (curve("A"), curve("B")) else {
            let message = format!("the demo's rig sheet lacks a figure of a driver in {}", setup.setup);
            return Err(Failure::plain("demo-rig", Fate::Failed, message, "this is a defect of the demo"));
        };
        out.push(material::Drive { setup: setup.setup, a, b });
    }
    Ok(out)
}

fn next_folder() -> Result<PathBuf, Failure> {
    let base = Path::new("sessions");
    (1..=999u32)
        .map(|n| base.join(if n == 1 { "demo".to_owned() } else { format!("demo-{n}") }))
        .find(|f| fs::symlink_metadata(f).is_err())
        .ok_or_else(|| {
            Failure::plain(
                "folder-taken",
                Fate::Refused,
                "sessions holds 999 demos already",
                "name a folder: cabjury demo FOLDER",
            )
        })
}

/// A folder for recordings on their way in; gone when it is dropped.
struct Tray(PathBuf);

impl Tray {
    fn beside(folder: &Path) -> Result<Self, Failure> {
        let path = folder.join(".incoming");
        fs::create_dir_all(&path).map_err(|e| {
            Failure::at_path("cannot-write", Fate::Failed, &path, format!("{}: {e}", path.display()), "check the folder")
        })?;
        Ok(Self(path))
    }

    fn put(&self, name: &str, samples: Vec<f32>) -> Result<PathBuf, Failure> {
        let path = self.0.join(name);
        let audio = Audio::new(SampleRate::new(riff::RATE)?, vec![samples])
            .map_err(|e| Failure::plain("shape", Fate::Failed, e.to_string(), "this is a defect of the demo"))?;
        write_wav24(&path, &audio)?;
        Ok(path)
    }
}

impl Drop for Tray {
    fn drop(&mut self) {
        // The session has its own copies; a tray that stays behind does no harm.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Records all passes and takes them in, the DI first.
fn capture(
    folder: &Path,
    drives: &[material::Drive],
    random: &mut Generator,
    clock: &dyn Clock,
    progress: &dyn Progress,
) -> Result<usize, Failure> {
    let di = material::di(random);
    progress.step("synthesising", 1, 2);
    let order = runsheet::draw(drives.len(), TAKES, random);
    let names = order.iter().filter_map(|i| drives.get(*i)).map(|d| SetupName::new(&d.setup)).collect::<Result<_, _>>()?;
    runsheet::keep(&mut Session::open_write(folder, clock.now())?, &runsheet::Drawn { takes: TAKES, order: names }, clock.now())?;
    let recorded = material::record(&di, drives, &order, random);
    progress.step("synthesising", 2, 2);
    let tray = Tray::beside(folder)?;
    let request = intake::Request { files: vec![tray.put("di.wav", di)?], di: true, ..intake::Request::default() };
    let mut takes = intake::take(folder, &request, clock, progress)?.takes.len();
    for pass in recorded.chunk_by(|a, b| a.pass == b.pass) {
        let Some(first) = pass.first() else { continue };
        let (mut files, mut mics) = (Vec::new(), Vec::new());
        for one in pass {
            files.push(tray.put(&format!("pass-{}-{}.wav", one.pass, one.mic), one.samples.clone())?);
            mics.push((None, MicName::new(one.mic)?));
        }
        let request = intake::Request {
            files,
            setup: Some(SetupName::new(&first.setup)?),
            mics,
            pass: Some(first.pass),
            depth: Some(Depth::Rewired),
            ..intake::Request::default()
        };
        takes += intake::take(folder, &request, clock, progress)?.takes.len();
    }
    Ok(takes)
}

/// Seals two tests for simulated listeners and lets the simulated listeners through them: at one cone, where the wirings differ, one listener hears most of it, one
/// some, and one guesses; for the sum of both mics the one who guesses is alone.
fn listening(folder: &Path, random: &mut Generator, clock: &dyn Clock, progress: &dyn Progress) -> Result<(), Failure> {
    let hears = Ear { code: "sim-hears", hears: 0.9 };
    let half = Ear { code: "sim-hears-some", hears: 0.6 };
    let guesses = Ear { code: "sim-guesses", hears: 0.0 };
    for (mic, ears) in [("close-a", &[hears, half, guesses][..]), ("both", &[guesses][..])] {
        let request = plan::Request {
            listeners: u32::try_from(ears.len()).unwrap_or(1),
            // Enough for the gates: 7 same-file trials over all listeners.
            controls: Controls { same_file: if ears.len() > 1 { 3 } else { 7 }, ..Controls::default() },
            mic: Some(MicName::new(mic)?),
            simulated: true,
            audience: false,
            conditions: Conditions::default(),
            ..plan::Request::of(vec![SetupName::new("s16")?, SetupName::new("p4")?])
        };
        plan::plan(folder, &request, clock)?;
        let mut trials = Trials::open(folder, clock)?.closing_by(freeze);
        let sealed = trials.choose(None)?;
        ear::listen(&mut trials, &sealed, ears, random, progress)?;
    }
    Ok(())
}
