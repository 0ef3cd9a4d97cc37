//! What differs between two setups, in the order in which an engineer would ask.

use crate::model::rig::{Rig, Setup};
use crate::model::session::Take;

/// Everything that differs between two setups, `what: how`, in the order in which an engineer would ask.
#[must_use]
pub fn differs(rig: &Rig, first: &Setup, second: &Setup) -> Vec<String> {
    let mut out = Vec::new();
    let wiring = |s: &Setup| s.wiring.as_ref().and_then(|w| rig.wiring(w));
    if let (Some(a), Some(b)) = (wiring(first), wiring(second)) {
        out.extend(crate::rig::cards::wiring_differs(rig, first, second));
        if a.box_l != b.box_l {
            let litre = |v: Option<f64>| v.map_or("open".to_owned(), |v| format!("{v} l"));
            out.push(format!("cab: {} against {}", litre(a.box_l), litre(b.box_l)));
        }
    }
    if let (Some(a), Some(b)) = (first.tap_ohm, second.tap_ohm)
        && a != b
    {
        out.push(format!("tap: {} ohm against {} ohm", a.value(), b.value()));
    }
    out
}

/// What the program notes of where a recording lies: of every pass its own, and no setting.
const PLACES: [&str; 4] = ["di-at-frame", "rest-frames", "burst-frames", "clock-drift-ppm"];

/// Notes of the takes that differ between two setups.
pub(crate) fn notes_that_differ(first: &[&Take], second: &[&Take]) -> Vec<String> {
    let mut keys: Vec<&String> = first.iter().chain(second).flat_map(|t| t.notes.keys()).collect();
    keys.sort();
    keys.dedup();
    let values = |takes: &[&Take], key: &String| -> Vec<String> {
        let mut v: Vec<String> = takes.iter().filter_map(|t| t.notes.get(key).cloned()).collect();
        v.sort();
        v.dedup();
        v
    };
    keys.into_iter()
        .filter(|key| !PLACES.contains(&key.as_str()))
        .filter_map(|key| {
            let (a, b) = (values(first, key), values(second, key));
            (a != b).then(|| format!("{key}: {} against {}", shown(&a), shown(&b)))
        })
        .collect()
}

fn shown(values: &[String]) -> String {
    if values.is_empty() { "not noted".to_owned() } else { values.join(" or ") }
}
