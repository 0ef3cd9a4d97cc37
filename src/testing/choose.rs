//! The clips of a test: of one matching run, one mic, one passage.

use crate::capture::mend;
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::{ExcerptName, MicName};
use crate::model::session::{Clip, MatchRun};
use crate::store::Session;
use crate::testing::request::{Request, wrong};

/// The clips of the newest matching run that fits, and what was chosen for mic and excerpt.
pub(crate) struct Chosen {
    pub(crate) clips: Vec<Clip>,
    pub(crate) mic: MicName,
    pub(crate) excerpt: ExcerptName,
}

pub(super) fn choose(session: &Session, request: &Request, runs: &[MatchRun]) -> Result<Chosen, Failure> {
    let folder = quoted(session.folder());
    let flag = if request.as_recorded { " --as-recorded" } else { "" };
    let mut fitting = None;
    for run in runs.iter().rev().filter(|r| r.as_recorded == request.as_recorded) {
        if mend::given_up(session, run.run)?.is_none() {
            fitting = Some(run);
            break;
        }
    }
    let Some(run) = fitting else {
        let message = format!("there are no {} clips yet", if request.as_recorded { "as-recorded" } else { "matched" });
        return Err(Failure::plain("no-clips", Fate::Refused, message, format!("run: cabjury match {folder}{flag}")));
    };
    let all: Vec<Clip> =
        session.clips()?.into_iter().filter(|c| c.run == run.run && request.compare.contains(&c.setup)).collect();
    let mic = one_of("mic", request.mic.as_ref(), all.iter().map(|c| c.mic.clone()).collect())?;
    let of_mic: Vec<Clip> = all.into_iter().filter(|c| c.mic == mic).collect();
    let excerpt = one_of("excerpt", request.excerpt.as_ref(), of_mic.iter().map(|c| c.excerpt.clone()).collect())?;
    let takes = session.takes()?;
    // Clips of a take that was put under another setup since then bear the wrong name.
    if let Some(moved) = takes.iter().find(|t| t.withdrawn.is_none() && t.reassigned.iter().any(|r| r.at > run.made_at)) {
        let message = format!("the clips were made before {} was reassigned", moved.id);
        return Err(Failure::plain("no-clips", Fate::Refused, message, format!("run: cabjury match {folder}{flag}")));
    }
    let live = |c: &Clip| takes.iter().any(|t| t.id == c.take && t.withdrawn.is_none());
    let clips: Vec<Clip> = of_mic.into_iter().filter(|c| c.excerpt == excerpt && live(c)).collect();
    if let Some(bare) = request.compare.iter().find(|s| !clips.iter().any(|c| &c.setup == *s)) {
        let message = format!("there is no clip of {bare} at mic {mic}, excerpt {excerpt}");
        return Err(Failure::plain(
            "no-clips",
            Fate::Refused,
            message,
            format!("import a take of it and run: cabjury match {folder}{flag}"),
        ));
    }
    one_passage(&clips)?;
    Ok(Chosen { clips, mic, excerpt })
}

/// All clips of a test are one passage of one run: two passages under one name would give the answer away.
///
/// # Errors
/// `two-passages`.
pub(crate) fn one_passage(clips: &[Clip]) -> Result<(), Failure> {
    let passage = |c: &Clip| (c.run, c.excerpt.clone(), c.frames, c.rate);
    let twice = |c: &Clip| clips.iter().filter(|o| o.take == c.take).count() > 1;
    if clips.windows(2).all(|pair| passage(&pair[0]) == passage(&pair[1])) && !clips.iter().any(twice) {
        return Ok(());
    }
    let message = "the clips of this excerpt are not all of one passage";
    Err(Failure::plain(
        "two-passages",
        Fate::Refused,
        message,
        "make them again, each excerpt under a name of its own: cabjury match",
    ))
}

fn one_of<T: Ord + Clone + std::fmt::Display>(what: &'static str, asked: Option<&T>, mut there: Vec<T>) -> Result<T, Failure> {
    there.sort();
    there.dedup();
    let list = there.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    match asked {
        Some(name) if there.contains(name) => Ok(name.clone()),
        Some(name) => {
            let message = format!("the clips have no {what} {name}; they have {list}");
            Err(Failure::plain("no-such-clips", Fate::Unfit, message, format!("name one of them with --{what}")))
        }
        None if there.len() == 1 => Ok(there.remove(0)),
        None if there.is_empty() => Err(Failure::plain(
            "no-clips",
            Fate::Refused,
            "there are no clips of these setups",
            "run match after importing takes of both",
        )),
        None => Err(wrong(format!("there are several {what}s: {list}"), &format!("choose one with --{what}"))),
    }
}
