//! Which clips a montage plays, in which order, and under which names.

use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ExcerptName, MicName, SetupName};
use crate::model::rig::Rig;
use crate::model::session::{Clip, MatchRun};
use crate::publish::montage_request::{Request, refuse};
use crate::store::Session;
use crate::store::random;
use crate::trial::montage_key;
use std::path::Path;

/// Clips of one mic: per setup, in the order asked for, those of its takes.
pub(crate) type PerSetup = Vec<(SetupName, Vec<Clip>)>;

/// The clips that are to sound: per mic, per setup in the order asked for, the clips of its takes.
pub(crate) struct Chosen {
    pub(crate) run: u32,
    pub(crate) excerpt: ExcerptName,
    pub(crate) mics: Vec<(MicName, PerSetup)>,
}

fn run_of<'a>(runs: &'a [MatchRun], raw: bool, excerpt: Option<&ExcerptName>, folder: &Path) -> Result<&'a MatchRun, Failure> {
    let fits = |r: &&MatchRun| excerpt.is_none_or(|e| r.excerpts.iter().any(|x| &x.name == e));
    // Raw levels can be had from a matched run as well: each clip's gain is known, and is taken back.
    let kind = |r: &&MatchRun| raw || !r.as_recorded;
    runs.iter().rev().filter(fits).find(kind).ok_or_else(|| {
        let what = excerpt.map_or_else(
            || "there are no matched clips yet".to_owned(),
            |e| format!("there are no matched clips of an excerpt {e}"),
        );
        refuse("no-clips", what, format!("make them with: cabjury match {}", quoted(folder)))
    })
}

pub(crate) fn choose(session: &Session, request: &Request) -> Result<Chosen, Failure> {
    let (rig, clips, runs) = (session.rig()?, session.clips()?, session.match_runs()?);
    let run = run_of(&runs, request.raw_level, request.excerpt.as_ref(), session.folder())?;
    let excerpt = request.excerpt.clone().or_else(|| run.excerpts.first().map(|e| e.name.clone()));
    let Some(excerpt) = excerpt else {
        return Err(refuse("no-clips", "the last matching run has no excerpt", "run match again"));
    };
    let clips: Vec<Clip> = clips.into_iter().filter(|c| c.run == run.run && c.excerpt == excerpt).collect();
    let order: Vec<SetupName> = if request.order.is_empty() {
        rig.setups.iter().map(|s| s.name.clone()).filter(|n| clips.iter().any(|c| &c.setup == n)).collect()
    } else {
        request.order.clone()
    };
    for (i, setup) in order.iter().enumerate() {
        if order[..i].contains(setup) {
            return Err(refuse("twice", format!("{setup} is in the order twice"), "name each setup once in --order"));
        }
        if !clips.iter().any(|c| &c.setup == setup) {
            let message = format!("there is no clip of a setup {setup} in matching run {}", run.run);
            return Err(refuse("no-clip", message, "name setups that have clips in --order, or run match again"));
        }
    }
    let mut names: Vec<MicName> = Vec::new();
    for clip in &clips {
        if !names.contains(&clip.mic) && request.mic.as_ref().is_none_or(|m| m == &clip.mic) {
            names.push(clip.mic.clone());
        }
    }
    let of = |mic: &MicName| -> PerSetup {
        let of_setup = |s: &SetupName| clips.iter().filter(|c| &c.mic == mic && &c.setup == s).cloned().collect();
        order.iter().map(|s| (s.clone(), of_setup(s))).collect()
    };
    let mics: Vec<_> = names.iter().map(|m| (m.clone(), of(m))).collect();
    if let Some((mic, per_setup)) = mics.iter().find(|(_, per)| per.iter().any(|(_, c)| c.is_empty())) {
        let bare = per_setup.iter().find(|(_, c)| c.is_empty()).map_or("?", |(s, _)| s.as_str());
        let message = format!("{bare} has no clip of {mic}");
        return Err(refuse(
            "no-clip",
            message,
            "choose a mic that every setup has with --mic, or leave the setup out with --order",
        ));
    }
    if mics.is_empty() {
        let wanted = request.mic.as_ref().map_or("any mic".to_owned(), ToString::to_string);
        return Err(refuse("no-clip", format!("there are no clips of {wanted}"), "see the mics with: cabjury status"));
    }
    Ok(Chosen { run: run.run, excerpt, mics })
}

/// A clip that is to sound, with what captions say of it.
pub(crate) struct Planned {
    pub(crate) clip: Clip,
    pub(crate) label: String,
    pub(crate) named: bool,
}

pub(crate) fn plain(chosen: &Chosen) -> Vec<Planned> {
    let mut out = Vec::new();
    for (mic, per_setup) in &chosen.mics {
        for (setup, clips) in per_setup {
            if let Some(clip) = clips.first() {
                out.push(Planned { clip: clip.clone(), label: format!("{setup}, {mic}"), named: true });
            }
        }
    }
    out
}

/// A blind montage asks about one mic: without a choice the sheet's first blend, else its first mic. Which one, is said.
pub(crate) fn one_mic(chosen: &mut Chosen, rig: &Rig, warnings: &mut Vec<String>) {
    if chosen.mics.len() < 2 {
        return;
    }
    let names: Vec<String> = chosen.mics.iter().map(|(m, _)| m.to_string()).collect();
    let sheet = rig.blends.iter().map(|b| &b.name).chain(rig.mics.iter().map(|m| &m.name));
    let place = sheet.filter_map(|n| chosen.mics.iter().position(|(m, _)| m == n)).next().unwrap_or(0);
    chosen.mics.swap(0, place);
    chosen.mics.truncate(1);
    warnings.push(format!("of {} it asks about {}; choose another one with --mic", names.join(", "), chosen.mics[0].0));
}

pub(crate) fn blind(chosen: &Chosen, clips: u32) -> Result<(Vec<Planned>, montage_key::MontageKey), Failure> {
    let [(mic, per_setup)] = &chosen.mics[..] else {
        return Err(refuse("which-mic", "a blind montage asks about one mic or blend", "choose one with --mic"));
    };
    if per_setup.len() < 2 {
        return Err(refuse("one-setup", "a blind montage needs two or more setups", "name them with --order"));
    }
    let named: Vec<ClipId> = per_setup.iter().filter_map(|(_, c)| c.first()).map(|c| c.id.clone()).collect();
    let pool: Vec<(SetupName, Vec<ClipId>)> =
        per_setup.iter().map(|(s, c)| (s.clone(), c.iter().map(|c| c.id.clone()).collect())).collect();
    let key = montage_key::draw(&pool, &named, clips, &mut crate::trial::Generator::from_seed(random::seed()?));
    let find = |id: &ClipId| per_setup.iter().flat_map(|(_, c)| c).find(|c| &c.id == id).cloned();
    let mut out = Vec::new();
    for ((setup, _), id) in per_setup.iter().zip(&named) {
        out.extend(find(id).map(|clip| Planned { clip, label: format!("{setup}, {mic}"), named: true }));
    }
    for (n, drawn) in key.drawn().iter().enumerate() {
        out.extend(find(&drawn.clip).map(|clip| Planned { clip, label: format!("clip {}", n + 1), named: false }));
    }
    Ok((out, key))
}
