//! The inspector at work on a session: every take against its siblings, against the other setups' takes and against the DI.

use crate::capture::alignment::{Place, usable};
use crate::capture::recording as intake;
use crate::model::audio::{Audio, DbOrSilence, FaultKind, Finding, Severity};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::TakeId;
use crate::model::session::Take;
use crate::signal::inspect::{self, Exact, Mark, Seen};
use crate::signal::placing::Alignment;
use crate::signal::{align, bands, shift};
use crate::store::Session;
use crate::units::SampleRate;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Two recordings of different setups that null this deep are one recording.
const ONE_RECORDING_DB: f64 = -70.0;
/// A take that nulls this deep with the DI went through no amplifier; below [`SURELY_THE_DI_DB`] it is the DI's own sound.
const THE_DI_DB: f64 = -35.0;
/// From here on down no chain is that clean.
const SURELY_THE_DI_DB: f64 = -70.0;
/// Seconds that are compared across setups.
const COMPARED_S: usize = 20;
/// Without the last fraction of a sample one recording nulls at least this deep with itself: what does not is not looked at further.
const ALIKE_DB: f64 = -15.0;

/// A take and what marks it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Inspected {
    pub(crate) take: TakeId,
    pub(crate) findings: Vec<Finding>,
}

/// Kinds that a person may confirm as meant: they mark a take, but leave the comparison whole.
pub(crate) const CONFIRMABLE: [FaultKind; 6] = [
    FaultKind::Click,
    FaultKind::LevelStep,
    FaultKind::RepeatedBuffer,
    FaultKind::HeldSamples,
    FaultKind::SameRecording,
    FaultKind::DiAsTake,
];

fn finding(kind: FaultKind, severity: Severity, detail: String) -> Finding {
    Finding { kind, severity, detail }
}

/// The note that holds what was confirmed, so that every report prints it.
pub(crate) const CONFIRMED: &str = "confirmed";

/// What was confirmed as meant, one confirmed finding of one take.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Confirmed {
    take: String,
    kind: String,
    detail: String,
    reason: String,
}

impl Confirmed {
    pub(crate) fn new(take: &TakeId, found: &Finding, reason: &str) -> Self {
        let (take, kind) = (take.to_string(), found.kind.name().to_owned());
        Self { take, kind, detail: found.detail.clone(), reason: reason.to_owned() }
    }

    /// As a sentence.
    fn told(&self) -> String {
        format!("{}: {} was confirmed as meant ({}). {}", self.take, self.kind, self.reason, self.detail)
    }
}

/// All that was confirmed in a session.
///
/// # Errors
/// The note cannot be read.
pub(crate) fn all_confirmed(session: &Session) -> Result<Vec<Confirmed>, Failure> {
    let Some(text) = session.note(CONFIRMED)? else { return Ok(Vec::new()) };
    serde_json::from_str(&text).map_err(|e| {
        let message = format!("what was confirmed cannot be read: {e}");
        Failure::plain("damaged-note", Fate::Failed, message, "look at the record with: cabjury audit")
    })
}

/// All that was confirmed, as sentences for a report.
///
/// # Errors
/// As [`all_confirmed`].
pub(crate) fn confirmed_lines(session: &Session) -> Result<Vec<String>, Failure> {
    let mut lines: Vec<String> = all_confirmed(session)?.iter().map(Confirmed::told).collect();
    lines.dedup();
    Ok(lines)
}

/// Looks at every take in use.
///
/// # Errors
/// A take's copy cannot be read any more.
pub(crate) fn inspect(session: &Session, takes: &[Take], places: &[Place]) -> Result<Vec<Inspected>, Failure> {
    let used = usable(takes);
    let mut out: Vec<Inspected> = used.iter().map(|t| Inspected { take: t.id.clone(), findings: Vec::new() }).collect();
    let mut heads: Vec<(usize, Vec<f32>)> = Vec::new();
    let span = span(&used, places);
    let mut done = vec![false; used.len()];
    for i in 0..used.len() {
        if done[i] {
            continue;
        }
        // One setup at one mic after the other: only its takes are in memory.
        let group: Vec<usize> =
            (i..used.len()).filter(|k| used[*k].setup == used[i].setup && used[*k].mic == used[i].mic).collect();
        let paths: Vec<PathBuf> = group.iter().map(|k| intake::path_of(session, used[*k])).collect();
        let loaded: Vec<(Vec<f32>, Vec<Exact>)> =
            group.par_iter().zip(&paths).map(|(k, path)| laid(path, used[*k], places, span)).collect::<Result<_, Failure>>()?;
        let rate = used[i].rate;
        for (k, (_, exact)) in group.iter().zip(&loaded) {
            done[*k] = true;
            out[*k].findings.extend(place_of(places, used[*k]).iter().flat_map(|p| jumps(p, rate)));
            out[*k].findings.extend(exact.iter().map(|e| exactly(e, rate)));
        }
        // What has lost samples runs beside its siblings: it would mark them all.
        let whole: Vec<usize> =
            (0..group.len()).filter(|k| place_of(places, used[group[*k]]).is_some_and(|p| p.jumps.is_empty())).collect();
        let samples: Vec<&[f32]> = whole.iter().map(|k| loaded[*k].0.as_slice()).collect();
        let names: Vec<String> = whole.iter().map(|k| used[group[*k]].id.to_string()).collect();
        for (k, seen) in whole.iter().zip(inspect::siblings(&samples, rate)) {
            out[group[*k]].findings.extend(seen.iter().map(|s| told(s, span.0, rate, &names)));
        }
        let most = COMPARED_S * rate.hz() as usize;
        heads.extend(group.iter().zip(&loaded).map(|(k, (x, _))| (*k, x[..x.len().min(most)].to_vec())));
    }
    alone(session, takes, &used, places, span, &mut out)?;
    one_recording(&used, &heads, &mut out);
    the_di(session, takes, &used, &heads, span, &mut out)?;
    Ok(out)
}

fn place_of<'a>(places: &'a [Place], take: &Take) -> Option<&'a Place> {
    places.iter().find(|p| p.take == take.id)
}

/// The frames of the time base that all takes share.
fn span(used: &[&Take], places: &[Place]) -> (usize, usize) {
    let (start, end) = Alignment::shared(used.iter().filter_map(|t| Some((place_of(places, t)?.alignment(), t.frames as f64))));
    (start as usize, end.max(start) as usize)
}

/// A take on the time base, its channels' mean, and what repeats or stands still in it.
fn laid(path: &Path, take: &Take, places: &[Place], span: (usize, usize)) -> Result<(Vec<f32>, Vec<Exact>), Failure> {
    let audio: Audio = intake::load_from(path, take)?;
    let exact = audio.channels().iter().flat_map(|c| inspect::held(c).into_iter().chain(inspect::repeated(c))).collect();
    let mono = align::mono(audio.channels());
    let Some(place) = place_of(places, take) else { return Ok((mono, exact)) };
    Ok((place.alignment().laid(&mono, span.0, span.1 - span.0), exact))
}

fn jumps(place: &Place, rate: SampleRate) -> Vec<Finding> {
    let say = |detail| finding(FaultKind::LagJump, Severity::Stop, detail);
    place.jump_warnings(rate.as_f64()).into_iter().map(say).collect()
}

fn exactly(exact: &Exact, rate: SampleRate) -> Finding {
    let (at, ms) = (exact.at as f64 / rate.as_f64(), exact.frames as f64 / rate.as_f64() * 1e3);
    let next = "Raise the interface's buffer and record it again.";
    if exact.back == 0 {
        let detail =
            format!("At {at:.3} s one sample is held for {} frames ({ms:.1} ms): the interface stalled. {next}", exact.frames);
        return finding(FaultKind::HeldSamples, Severity::Stop, detail);
    }
    let detail = format!(
        "At {at:.3} s {} frames ({ms:.1} ms) come again to the last bit, as they were {} frames before: a buffer was played twice. {next}",
        exact.frames, exact.back
    );
    finding(FaultKind::RepeatedBuffer, Severity::Stop, detail)
}

fn told(seen: &Seen, start: usize, rate: SampleRate, names: &[String]) -> Finding {
    let at = (start + seen.at) as f64 / rate.as_f64();
    let ms = seen.frames as f64 / rate.as_f64() * 1e3;
    let doubt = if seen.sure { String::new() } else { format!(" It is this take or its only sibling ({}).", names.join(", ")) };
    let stop = if seen.sure { Severity::Stop } else { Severity::Warn };
    let again = "Listen there, record it again and withdraw the bad one.";
    match seen.mark {
        Mark::Click => finding(
            FaultKind::Click,
            stop,
            format!(
                "At {at:.3} s a burst of {ms:.0} ms that no sibling has, {:.0} dB over what they differ by: a click tells this take.{doubt} {again}",
                seen.size
            ),
        ),
        Mark::Hole => finding(
            FaultKind::Hole,
            stop,
            format!(
                "At {at:.3} s the take falls silent for {ms:.0} ms where its siblings sound.{doubt} Record it again and withdraw this one."
            ),
        ),
        Mark::LevelStep => finding(
            FaultKind::LevelStep,
            stop,
            format!(
                "At {at:.2} s the level steps by {:+.2} dB against its siblings: a knob, a tube, a cable?{doubt} {again}",
                seen.size
            ),
        ),
        Mark::LevelTrend => finding(
            FaultKind::LevelTrend,
            Severity::Warn,
            format!(
                "The level moves by {:+.2} dB from beginning to end against its siblings: an amplifier that warms up?{doubt}",
                seen.size
            ),
        ),
        Mark::Differs => finding(
            FaultKind::UnlikeSiblings,
            Severity::Warn,
            format!(
                "At {at:.3} s it differs for {ms:.0} ms by {:.0} dB more than repeat takes do elsewhere.{doubt} Listen there.",
                seen.size
            ),
        ),
    }
}

/// Siblings from which a take is judged by them alone.
const SIBLINGS: usize = 3;
/// Other setups' takes that a take without siblings is held against, at most; the DI comes on top.
const REFERENCES: usize = 2;

/// Takes with too few siblings are held against the other setups' takes and the DI, through the response between them.
fn alone(
    session: &Session,
    takes: &[Take],
    used: &[&Take],
    places: &[Place],
    span: (usize, usize),
    out: &mut [Inspected],
) -> Result<(), Failure> {
    let group = |i: usize| used.iter().filter(|t| t.setup == used[i].setup && t.mic == used[i].mic).count();
    let whole = |i: usize| place_of(places, used[i]).is_some_and(|p| p.jumps.is_empty());
    let few: Vec<usize> = (0..used.len()).filter(|i| group(*i) < SIBLINGS && whole(*i)).collect();
    if few.is_empty() {
        return Ok(());
    }
    let di = takes.iter().find(|t| t.setup.is_none()).map(|t| intake::load(session, t)).transpose()?;
    let di = di.map(|a| shift::advance(&align::mono(a.channels()), span.0 as f64, span.1 - span.0));
    for i in few {
        let others = (0..used.len())
            .filter(|k| used[*k].mic == used[i].mic && used[*k].setup != used[i].setup && whole(*k))
            .take(REFERENCES);
        let load = |k: usize| Ok(laid(&intake::path_of(session, used[k]), used[k], places, span)?.0);
        let others: Vec<Vec<f32>> = others.map(load).collect::<Result<_, Failure>>()?;
        let others: Vec<&[f32]> = others.iter().map(Vec::as_slice).collect();
        let rate = used[i].rate;
        let own = load(i)?;
        let names = [used[i].id.to_string(), "or what it was held against".to_owned()];
        let mut all = inspect::across(&own, &others, rate);
        if others.len() < REFERENCES {
            // With one other take alone, its own hole, hum or click looks like this one's.
            all.retain(|s| s.mark == Mark::LevelStep);
        }
        // Against the DI an amplifier hides what is small; silence it cannot make.
        all.extend(di.iter().flat_map(|d| inspect::across(&own, &[d], rate)).filter(|s| s.mark == Mark::Hole));
        for seen in all {
            let mut found = told(&seen, span.0, rate, &names);
            // Through unlike amplifiers a level says less, and a hard onset looks like a click: they are said, and stop nothing.
            if seen.mark != Mark::Hole {
                found.severity = Severity::Warn;
            }
            if !out[i].findings.iter().any(|f| f.kind == found.kind) {
                out[i].findings.push(found);
            }
        }
    }
    Ok(())
}

/// One recording under two setups: nothing is left when one is taken from the other.
fn one_recording(used: &[&Take], heads: &[(usize, Vec<f32>)], out: &mut [Inspected]) {
    let mut pairs = Vec::new();
    for (n, (i, a)) in heads.iter().enumerate() {
        for (k, b) in &heads[n + 1..] {
            if used[*i].mic == used[*k].mic && used[*i].setup != used[*k].setup {
                pairs.push((*i, a, *k, b));
            }
        }
    }
    let same: Vec<(usize, usize, f64)> = pairs
        .par_iter()
        .filter_map(|(i, a, k, b)| Some((*i, *k, null(used[*i], a, b).filter(|d| *d <= ONE_RECORDING_DB)?)))
        .collect();
    for (i, k, depth) in same {
        let detail = format!(
            "It is the same recording as {} of the setup {}: taken from each other they leave {depth:.0} dB. Was one file exported twice? \
             Withdraw the wrong one and take in the right file.",
            used[i].id,
            used[i].setup.as_ref().map(ToString::to_string).unwrap_or_default()
        );
        out[k].findings.push(finding(FaultKind::SameRecording, Severity::Stop, detail));
    }
}

fn null(take: &Take, a: &[f32], b: &[f32]) -> Option<f64> {
    let alike = match bands::residual(a, b)? {
        DbOrSilence::Db(db) => db <= ALIKE_DB,
        DbOrSilence::Silence => true,
    };
    if alike { inspect::null_depth(a, b, take.rate) } else { None }
}

/// A take, by its place among those that are used, and the beginning of its sound.
type Head = (usize, Vec<f32>);

/// A take that is the DI itself.
fn the_di(
    session: &Session,
    takes: &[Take],
    used: &[&Take],
    heads: &[Head],
    span: (usize, usize),
    out: &mut [Inspected],
) -> Result<(), Failure> {
    let Some(di) = takes.iter().find(|t| t.setup.is_none()) else { return Ok(()) };
    let audio = intake::load(session, di)?;
    let most = (span.1 - span.0).min(COMPARED_S * di.rate.hz() as usize);
    let mono = shift::advance(&align::mono(audio.channels()), span.0 as f64, most);
    let found: Vec<(usize, f64)> =
        heads.par_iter().filter_map(|(k, x)| Some((*k, null(used[*k], &mono, x).filter(|d| *d <= THE_DI_DB)?))).collect();
    for (k, depth) in found {
        let detail = format!(
            "It is the DI itself: taken from each other they leave {depth:.0} dB, so it went through no amplifier. Withdraw it and take in the \
             recording of the mic."
        );
        let severity = if depth <= SURELY_THE_DI_DB { Severity::Stop } else { Severity::Warn };
        out[k].findings.push(finding(FaultKind::DiAsTake, severity, detail));
    }
    Ok(())
}
