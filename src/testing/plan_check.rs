//! What a plan may ask for: everything that can be said of a request before its takes are looked at.

use super::request::{MOST_LISTENERS, MOST_TRIALS, Request, wrong};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::Rig;
use crate::model::trial::{Design, Method, TrialCount, TrialKind};
use crate::trial::methods::{self, Setups};

/// Largest level: one in twenty.
pub const MOST_ALPHA: f64 = 0.05;

/// Largest share worth finding that may be set.
pub const MOST_BOUND: f64 = 0.5;

/// Largest known difference, in dB.
const MOST_KNOWN_DB: f64 = 12.0;

/// A level and a bound that cannot be.
///
/// # Errors
/// Wrong use.
pub fn check_level(alpha: f64, bound: f64) -> Result<(), Failure> {
    if !(alpha > 0.0 && alpha <= MOST_ALPHA) {
        let message = format!("a level of {alpha}; a number above 0, at most {MOST_ALPHA}, is needed");
        return Err(wrong(message, "0.05 is the default; a smaller one is stricter"));
    }
    if !(bound > 0.0 && bound <= MOST_BOUND) {
        let message = format!("a smallest share of {bound}; a number above 0, at most {MOST_BOUND}, is needed");
        return Err(wrong(message, "0.3 is the default"));
    }
    Ok(())
}

pub(super) fn check(request: &Request, rig: &Rig) -> Result<(), Failure> {
    for name in &request.compare {
        if rig.setup(name).is_none() {
            let known: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
            let message = format!("the session has no setup {:?}; it has {}", name.as_str(), known.join(", "));
            return Err(Failure::plain("no-such-setup", Fate::Unfit, message, "check the names behind --compare"));
        }
    }
    let mut unique = request.compare.clone();
    unique.sort();
    unique.dedup();
    if unique.len() != request.compare.len() {
        return Err(wrong("a setup cannot be compared with itself", "name different setups behind --compare"));
    }
    let rules = methods::rules(request.method);
    if !rules.setups.fit(request.compare.len()) {
        let many = rules.setups == Setups::TwoOrMore;
        let message = format!(
            "{} compares {} setups, {} were named",
            request.method,
            if many { "two or more" } else { "two" },
            request.compare.len()
        );
        return Err(wrong(message, "as in --compare s16,p4"));
    }
    check_level(request.alpha.unwrap_or(MOST_ALPHA), request.bound)?;
    numbers(request)?;
    method_needs(request)?;
    known(request)?;
    looks(request)
}

fn numbers(request: &Request) -> Result<(), Failure> {
    if let Some(TrialCount::Fixed(n)) = request.trials
        && !(1..=MOST_TRIALS).contains(&n)
    {
        return Err(wrong(format!("{n} trials; 1 to {MOST_TRIALS} are needed"), "28 is the default, 16 in the paired design"));
    }
    if !(1..=MOST_LISTENERS).contains(&request.listeners) {
        return Err(wrong("listeners: 1 to 100000 are needed", "1 listener is the default"));
    }
    let controls = request.controls;
    if [controls.same_file, controls.repeat, controls.known].iter().any(|k| *k > MOST_TRIALS) {
        return Err(wrong("controls: up to 1000 of each kind are needed", "as in --controls same-file=8"));
    }
    match request.tests {
        Some(n) if !(1..=1000).contains(&n) => Err(wrong(format!("--tests {n}; 1 to 1000 are needed"), "1 is the default")),
        _ => Ok(()),
    }
}

fn method_needs(request: &Request) -> Result<(), Failure> {
    let in_pair = |s: &Option<crate::model::ids::SetupName>| s.as_ref().is_none_or(|s| request.compare.contains(s));
    if !in_pair(&request.expect) || !in_pair(&request.reference) {
        return Err(wrong("--expect and --reference name one of the setups compared", "check the names"));
    }
    if request.method == Method::Attribute && (request.attribute.is_none() || request.expect.is_none()) {
        return Err(wrong(
            "attribute needs a word and the setup expected to have more of it, before the first trial",
            "as in --attribute brighter --expect p4",
        ));
    }
    let allowed = methods::rules(request.method).controls;
    let controls = request.controls;
    let planned =
        [(TrialKind::SameFile, controls.same_file), (TrialKind::Repeat, controls.repeat), (TrialKind::Known, controls.known)];
    if let Some((kind, _)) = planned.iter().find(|(kind, n)| *n > 0 && !allowed.contains(kind)) {
        let message = format!("{} has no {} controls", request.method, kind.name());
        return Err(wrong(message, "leave them out of --controls"));
    }
    if request.method == Method::Graded && request.trials == Some(TrialCount::OpenEnded) {
        return Err(wrong("graded has a fixed number of trials", "leave --open-ended out"));
    }
    Ok(())
}

fn known(request: &Request) -> Result<(), Failure> {
    let k = request.controls.known;
    if let Some(db) = request.known_db {
        if k == 0 {
            return Err(wrong("--known-db needs known-difference controls", "as in --controls known=6 --known-db 1"));
        }
        if !(db > 0.0 && db <= MOST_KNOWN_DB) {
            let message = format!("a known difference of {db} dB; above 0, at most {MOST_KNOWN_DB}, is needed");
            return Err(wrong(message, "1 dB is the default"));
        }
    }
    let Some((a, b)) = request.method.chance().filter(|_| k > 0) else { return Ok(()) };
    let all = u64::from(k) * u64::from(request.listeners);
    let level = crate::stats::controls::KNOWN_LEVEL;
    if crate::stats::binomial::critical(all, f64::from(a) / f64::from(b), level).is_none() {
        let message =
            format!("{all} known-difference controls over all listeners cannot reach the level of {level} even if all are right");
        return Err(wrong(message, "6 for each listener of a panel, 8 for one listener"));
    }
    Ok(())
}

fn looks(request: &Request) -> Result<(), Failure> {
    if request.looks.is_empty() {
        return Ok(());
    }
    let rising = request.looks[0] > 0 && request.looks.windows(2).all(|w| w[0] < w[1]);
    if !rising || request.looks.len() > 100 {
        return Err(wrong("looks are rising numbers of answers, at most 100 of them", "as in --looks 8,16,24"));
    }
    if request.trials == Some(TrialCount::OpenEnded) {
        return Err(wrong("an open-ended test needs no looks", "leave --looks or --open-ended out"));
    }
    if matches!(request.method, Method::Preference | Method::Graded) {
        return Err(wrong(format!("{} has no right answers to look at", request.method), "leave --looks out"));
    }
    if request.design == Some(Design::Crossed) {
        return Err(wrong(
            "looks before the end are for the paired design: the takes test is exact only at a fixed end",
            "add --design paired",
        ));
    }
    let last = request.looks.last().copied().unwrap_or(0);
    let each = last / u64::from(request.listeners);
    let whole = each * u64::from(request.listeners) == last && (1..=u64::from(MOST_TRIALS)).contains(&each);
    let told = match request.trials {
        Some(TrialCount::Fixed(n)) => u64::from(n) == each,
        _ => true,
    };
    if whole && told {
        return Ok(());
    }
    let message = format!(
        "the last look, after {last} answers, is the end: it needs to be the trials of all {} listeners",
        request.listeners
    );
    Err(wrong(message, "as in --trials 24 --looks 8,16,24 for one listener"))
}
