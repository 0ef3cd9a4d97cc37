//! `report --audience DIR`: a static folder for any web host.

use super::{exists, failed};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::SetupName;
use crate::model::random::RandomWords;
use crate::model::session::Clip;
use crate::report::audience::{Data, PLAYER, SCRIPT, STYLE, page};
use crate::rig::differs::differs;
use crate::sound::read::hash_file;
use crate::sound::write::write_new;
use crate::store::Session;
use crate::store::random;
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};

/// Trials of each visitor.
const TRIALS: u32 = 16;

/// The document of `report --audience`.
#[derive(Debug, Clone, Serialize)]
pub struct AudienceDoc {
    /// The page.
    pub path: String,
    /// `audience`.
    pub format: &'static str,
    /// Everything in the folder.
    pub bytes: u64,
    /// What was written.
    pub files: Vec<String>,
    /// The two setups.
    pub setups: Vec<String>,
    /// Their mic or blend.
    pub mic: String,
    /// Trials of each visitor.
    pub trials: u32,
    /// True: visitors can cheat, and the page says so.
    pub unguarded: bool,
}

/// Clips of two setups: those of the last sealed test of two setups, else of the first two setups and the first mic of the last matched run.
fn chosen(session: &Session) -> Result<(Vec<SetupName>, Vec<Clip>), Failure> {
    let (rig, clips, runs) = (session.rig()?, session.clips()?, session.match_runs()?);
    let tests = session.tests()?;
    if let Some(test) = tests.iter().rev().find(|t| t.plan.setups.len() == 2 && !t.plan.as_recorded) {
        let of_test = clips.into_iter().filter(|c| test.plan.clips.iter().any(|p| p.clip == c.id)).collect();
        return Ok((test.plan.setups.clone(), of_test));
    }
    let none = || {
        let next = format!("make clips of two setups with: cabjury match {}", quoted(session.folder()));
        Failure::plain("no-clips", Fate::Refused, "there are no matched clips of two setups", next)
    };
    let run = runs.iter().rev().find(|r| !r.as_recorded).ok_or_else(none)?;
    let of_run: Vec<&Clip> = clips.iter().filter(|c| c.run == run.run).collect();
    let setups: Vec<SetupName> =
        rig.setups.iter().map(|s| s.name.clone()).filter(|n| of_run.iter().any(|c| &c.setup == n)).take(2).collect();
    let first = of_run.first().filter(|_| setups.len() == 2).ok_or_else(none)?;
    let fits = |c: &&&Clip| c.mic == first.mic && c.excerpt == first.excerpt && setups.contains(&c.setup);
    let found = of_run.iter().filter(fits).map(|c| (*c).clone()).collect();
    Ok((setups, found))
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    write_new(path, bytes).map_err(|e| failed(path, &e))
}

/// Copies clips under names that do not tell their setups apart; which is which stands in `data.json`, for the page is unguarded.
fn copies(session: &Session, setups: &[SetupName], clips: &[Clip], out: &Path) -> Result<Vec<Vec<String>>, Failure> {
    let mut order: Vec<usize> = (0..clips.len()).collect();
    let mut generator = crate::trial::Generator::from_seed(random::seed()?);
    for i in (1..order.len()).rev() {
        order.swap(i, generator.below(i as u64 + 1) as usize);
    }
    let mut names = vec![Vec::new(); setups.len()];
    for (i, clip) in order.iter().filter_map(|i| clips.get(*i)).enumerate() {
        let source = session.absolute(&clip.path);
        if hash_file(&source)? != clip.sha256 {
            let message = format!("{} is no longer the clip that was made", source.display());
            return Err(Failure::at_path("clip-changed", Fate::Unfit, &source, message, "audit the session"));
        }
        let name = format!("clip-{}.wav", i + 1);
        let bytes = fs::read(&source).map_err(|e| failed(&source, &e))?;
        put(&out.join(&name), &bytes)?;
        if let Some(of_setup) = setups.iter().position(|s| s == &clip.setup).and_then(|p| names.get_mut(p)) {
            of_setup.push(name);
        }
    }
    Ok(names)
}

/// Writes the folder. It must be new or empty.
///
/// # Errors
/// There are no clips of two setups; the folder holds something; the disk refuses.
pub fn audience(folder: &Path, out: &Path) -> Result<AudienceDoc, Failure> {
    let taken = fs::symlink_metadata(out).is_ok() && !fs::read_dir(out).is_ok_and(|mut entries| entries.next().is_none());
    if taken {
        return Err(exists(out));
    }
    let session = Session::open_read(folder)?;
    let (setups, clips) = chosen(&session)?;
    let rig = session.rig()?;
    fs::create_dir_all(out).map_err(|e| failed(out, &e))?;
    let names = copies(&session, &setups, &clips, out)?;
    let data = Data {
        title: session.note("title")?.or(rig.title.clone()).unwrap_or_else(|| "A blind comparison".to_owned()),
        setups: setups.iter().map(ToString::to_string).collect(),
        clips: names,
        trials: TRIALS,
        rate_hz: clips.first().map_or(48_000, |c| c.rate.hz()),
    };
    let invented = session.note(super::gather::INVENTED)?;
    let both: Vec<_> = setups.iter().filter_map(|name| rig.setup(name)).collect();
    let what = if let [first, second] = both[..] { differs(&rig, first, second) } else { Vec::new() };
    let json = serde_json::to_vec_pretty(&data).map_err(|e| failed(out, &e))?;
    let html = page(&data, invented.as_deref(), &what);
    let texts: [(&str, &[u8]); 5] = [
        ("index.html", html.as_bytes()),
        ("data.json", &json),
        ("audience.js", SCRIPT.as_bytes()),
        ("player.js", PLAYER.as_bytes()),
        ("style.css", STYLE.as_bytes()),
    ];
    for (name, bytes) in texts {
        put(&out.join(name), bytes)?;
    }
    let mut files: Vec<PathBuf> = texts.iter().map(|(n, _)| out.join(n)).collect();
    files.extend(data.clips.iter().flatten().map(|n| out.join(n)));
    let bytes = files.iter().filter_map(|f| fs::metadata(f).ok()).map(|m| m.len()).sum();
    Ok(AudienceDoc {
        path: out.join("index.html").display().to_string(),
        format: "audience",
        bytes,
        files: files.iter().map(|f| f.display().to_string()).collect(),
        setups: data.setups,
        mic: clips.first().map_or_else(String::new, |c| c.mic.to_string()),
        trials: TRIALS,
        unguarded: true,
    })
}
