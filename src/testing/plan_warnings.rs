//! What a plan is warned of before it is sealed: too few takes, two things that change together, wirings that were never metered, controls
//! that could show nothing, a floor as high as the difference.

use crate::circuit::load::Margin;
use crate::model::failure::Failure;
use crate::model::rig::Rig;
use crate::model::trial::Method;
use crate::report::numbers::count;
use crate::rig::gate::Gate;
use crate::rig::warning::{Warning, text};
use crate::rig::wired::judged;
use crate::stats::binomial::{critical, critical_two_sided};
use crate::stats::verdict::CUE_LEVEL;
use crate::store::Session;
use crate::testing::plan::{Chosen, Request};

pub(crate) fn warnings(
    session: &Session,
    rig: &Rig,
    request: &Request,
    chosen: &Chosen,
    differs: &[String],
) -> Result<Vec<String>, Failure> {
    let mut out = Vec::new();
    let fewest = request.compare.iter().map(|s| chosen.clips.iter().filter(|c| &c.setup == s).count()).min().unwrap_or(0);
    if fewest < 2 && request.method != Method::Preference && request.method != Method::Attribute {
        out.push(
            "with one take of a setup the hidden sample is its reference's own file: a listener can recognise the take"
                .to_owned(),
        );
    }
    if fewest < 4 {
        out.push(format!(
            "{} of a setup: the verdict will speak of these recordings, not of the wiring (4 or more advised)",
            count(fewest, "take", "takes")
        ));
    }
    if differs.iter().any(|d| d.starts_with("wiring")) && differs.iter().any(|d| d.starts_with("tap")) {
        out.push("wiring and tap change together: the verdict cannot say which of the two was heard".to_owned());
    }
    control_warnings(request, &mut out);
    let gate = Gate::of(session)?;
    let unread = rig.wirings.iter().filter(|w| used(rig, request, &w.name) && gate.unread(w));
    out.extend(unread.map(|w| format!("the wiring {} was never metered", w.name)));
    for setup in request.compare.iter().filter_map(|s| rig.setup(s)) {
        let too_large = |w: &&Warning| matches!(w, Warning::Power(Margin::TooLarge { .. }));
        let load = judged(rig, setup)?;
        out.extend(load.iter().flat_map(|l| &l.warnings).filter(too_large).map(|w| format!("{}: {}", setup.name, text(w))));
    }
    match session.note("last-check")? {
        None => out.push("the takes were not checked (cabjury check)".to_owned()),
        Some(summary) => floor_warnings(&summary, request, chosen, &mut out),
    }
    Ok(out)
}

fn used(rig: &Rig, request: &Request, wiring: &crate::model::ids::WiringName) -> bool {
    request.compare.iter().filter_map(|s| rig.setup(s)).any(|s| s.wiring.as_ref() == Some(wiring))
}

fn control_warnings(request: &Request, out: &mut Vec<String>) {
    let Some((a, b)) = request.method.chance() else { return };
    let g = f64::from(a) / f64::from(b);
    let reach = |k: u32, level: f64| {
        let n = u64::from(k) * u64::from(request.listeners);
        if request.method == Method::Preference {
            critical_two_sided(n, level).is_some()
        } else {
            critical(n, g, level).is_some()
        }
    };
    if request.controls.same_file == 0 {
        out.push("no same-file controls: a cue of the player will not be tested for".to_owned());
    } else if !reach(request.controls.same_file, CUE_LEVEL) {
        out.push("too few same-file controls to show a cue even if all were right".to_owned());
    }
    if request.controls.repeat > 0 && !reach(request.controls.repeat, request.alpha) {
        out.push("too few repeat controls to show a floor even if all were right".to_owned());
    }
}

fn floor_warnings(summary: &str, request: &Request, chosen: &Chosen, out: &mut Vec<String>) {
    let Ok(summary) = serde_json::from_str::<serde_json::Value>(summary) else { return };
    let name = |v: &serde_json::Value, key: &str| v[key].as_str().unwrap_or_default().to_owned();
    for d in summary["differences"].as_array().into_iter().flatten() {
        let pair = [name(d, "first"), name(d, "second")];
        let ours = pair.iter().all(|p| request.compare.iter().any(|s| s.as_str() == p)) && name(d, "mic") == chosen.mic.as_str();
        if ours && d["above_floor"] == serde_json::Value::Bool(false) {
            out.push(
                "no measured band differs by more than repeat takes of one setup do: there may be nothing to hear".to_owned(),
            );
        }
    }
}
