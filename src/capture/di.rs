//! The DI comes in, and every take is held against it.

use crate::capture::measure::{Measured, unfit};
use crate::capture::ready::Ready;
use crate::capture::recording::Incoming;
use crate::capture::recording::{Request, beginning, called, path_of, rate_as, record};
use crate::capture::strangers::{self, Thin};
use crate::model::audio::{Audio, FaultKind, Finding, Severity};
use crate::model::explain::{Fate, quoted};
use crate::model::failure::Failure;
use crate::model::ids::MicName;
use crate::model::outside::Clock;
use crate::model::session::Take;
use crate::signal::placing::{self, Relation};
use crate::signal::{align, faults, shift};
use crate::store::Session;
use std::path::Path;

/// Takes in the DI, in place of one that nothing rests on yet.
pub(crate) fn ready_di(
    session: &Session,
    request: &Request,
    examined: &[Measured],
    known: Vec<Take>,
    clock: &dyn Clock,
) -> Result<Ready, Failure> {
    let [measured] = examined else {
        return Err(Failure::plain(
            "di",
            Fate::WrongUse,
            format!("{} files were given as the DI", examined.len()),
            "give one file with --di",
        ));
    };
    if let Some(other) = known.iter().find(|t| t.setup.is_some()) {
        rate_as(&measured.path, measured.facts.rate.hz(), other.rate.hz(), &other.original_name)?;
    }
    let same = |t: &&Take| t.sha256 == measured.facts.sha256 && t.withdrawn.is_none();
    if let Some(same) = known.iter().find(same) {
        let text = format!("{} is already in the session as {}; it was not taken in twice", measured.path.display(), same.id);
        let already = vec![same.id.to_string()];
        return Ok(Ready { takes: Vec::new(), replaces: None, already, warnings: vec![text], known });
    }
    let number = session.next_take()?;
    let replaces = known.iter().find(|t| t.setup.is_none()).map(|old| old.id.clone());
    if replaces.is_some() && !session.clips()?.is_empty() {
        return Err(Failure::plain(
            "di-in-use",
            Fate::Refused,
            "the session has a DI, and clips were aligned to it",
            "make a new session for another DI",
        ));
    }
    let incoming = Incoming {
        meant: None,
        measured,
        setup: None,
        channel: None,
        mic: MicName::new("di")?,
        pass: 0,
        depth: None,
        notes: request.notes.clone(),
        original_name: called(measured, request),
    };
    let mut take = record(&incoming, number, clock)?;
    take.path = session.keep_recording(&measured.path, &take.sha256, &take.original_name)?;
    let warnings = hold_against(session, &known, &take, measured)?;
    Ok(Ready { takes: vec![take], replaces, already: Vec::new(), warnings, known })
}

/// Takes that came before their DI are held against it. Where none fits while all fit each other, the DI is the one that is named.
fn hold_against(session: &Session, known: &[Take], di: &Take, measured: &Measured) -> Result<Vec<String>, Failure> {
    let (mut warnings, mut wrong, mut thin) = (Vec::new(), 0, Vec::new());
    let sound = beginning(&measured.path, None)?;
    for other in known.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()) {
        let path = path_of(session, other);
        let audio = beginning(&path, other.channel)?;
        match against_di(&path, &audio, &sound) {
            Ok(findings) => warnings.extend(findings.into_iter().map(|f| format!("{}: {}", other.id, f.detail))),
            Err(error) => {
                warnings.push(format!("{}: {error}; withdraw it, or give the right DI", other.id));
                wrong += 1;
            }
        }
        thin.push(Thin::of(other.id.as_str(), &audio));
    }
    if wrong > 1 && wrong == thin.len() && strangers::all_agree(&thin) {
        return Ok(vec![wrong_di(di, session.folder(), wrong).to_string()]);
    }
    Ok(warnings)
}

/// The DI disagrees with all takes, which agree with each other.
pub(crate) fn wrong_di(di: &Take, folder: &Path, takes: usize) -> Failure {
    let message = format!(
        "the {takes} recordings are of one performance, and the session's DI ({}) is of another: the DI is the wrong file",
        di.original_name
    );
    let next = format!("give the right one: cabjury take {} DI-FILE --di", quoted(folder));
    Failure::plain("other-di", Fate::Unfit, message, next)
}

/// Whitened resemblance over windows, times the share of windows that found their place: a right take through much gain and a scooped chain
/// has 0.3 and more, another performance in the same rhythm 0.04.
const PLAYED: f64 = 0.15;

/// Another performance than the DI, or the right one at another speed.
pub(crate) fn against_di(path: &Path, audio: &Audio, di: &Audio) -> Result<Vec<Finding>, Failure> {
    let (a, b) = (align::mono(di.channels()), align::mono(audio.channels()));
    let Some(resemblance) = align::resemblance(&a, &b, audio.rate()) else { return Ok(Vec::new()) };
    if resemblance >= faults::DI_DOUBTFUL {
        return Ok(Vec::new());
    }
    let doubtful = |severity, detail: String| Finding { kind: FaultKind::OtherDi, severity, detail };
    // Much gain and a scooped chain leave little of the wave: window by window and whitened, what was played is still there.
    let placed = placing::place(&a, &b, audio.rate(), Relation::Driven);
    let played = placed.map_or(0.0, |p| p.matched * p.resemblance);
    if played >= PLAYED {
        return Ok(Vec::new());
    }
    if resemblance >= faults::OTHER_DI {
        let detail = format!(
            "It resembles the session's DI only by {resemblance:.2}: the right performance through a heavy amplifier, or another one? Listen."
        );
        return Ok(vec![doubtful(Severity::Warn, detail)]);
    }
    // 48 kHz played as 44.1 kHz, the other way round, and factors of two.
    for (ppm, words) in
        [(88_435.0, "8.8 % too slow"), (-81_250.0, "8.1 % too fast"), (1e6, "at half speed"), (-5e5, "at double speed")]
    {
        let turned = shift::unwarp(&b, ppm, a.len());
        if align::resemblance(&a, &turned, audio.rate()).is_some_and(|r| r >= faults::OTHER_DI) {
            let detail = format!(
                "It is the session's DI, but {words}: its header states a wrong sample rate. Export it again at the rate it was recorded at."
            );
            let finding = Finding { kind: FaultKind::WrongRate, severity: Severity::Stop, detail };
            return Err(unfit(path, &[&finding]));
        }
    }
    let word = if resemblance >= 0.25 { "doubtful, and probably" } else { "not the session's DI:" };
    let detail = format!(
        "It is {word} another performance (resemblance {resemblance:.2}, {} or more is wanted). Re-amp the session's own DI.",
        faults::OTHER_DI
    );
    Err(unfit(path, &[&doubtful(Severity::Stop, detail)]))
}
