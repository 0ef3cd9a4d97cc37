//! What the engineer's forms send: fields read as numbers and names, and a rig sheet put together from them.

use super::jobs::{Order, Work};
use super::pages::layout::{Flash, page};
use super::pages::sheet;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use axum::extract::{Form, FromRequest, Request};
use axum::response::{IntoResponse, Response};
use maud::html;
use std::collections::BTreeMap;
use std::fmt::Write;

/// The field that holds a form's own number.
const ONCE: &str = "once";

/// Fields of a form, trimmed; empty ones are left out.
pub(super) struct Fields(BTreeMap<String, String>);

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Self, Response> {
        match Form::<BTreeMap<String, String>>::from_request(request, state).await {
            Ok(Form(fields)) => {
                let trimmed = fields.into_iter().map(|(k, v)| (k, v.trim().to_owned())).filter(|(_, v)| !v.is_empty());
                Ok(Self(trimmed.collect()))
            }
            Err(rejection) => {
                let lines = vec!["The form could not be read.".to_owned(), rejection.body_text()];
                let body = html! {};
                Err((rejection.status(), page("Trouble", Some(&Flash { bad: true, lines }), &body)).into_response())
            }
        }
    }
}

impl Fields {
    /// A field that was filled in.
    pub(super) fn get(&self, key: &str) -> Option<&str> {
        self.0.get(key).map(String::as_str)
    }

    /// The same; nothing is an empty text.
    pub(super) fn text(&self, key: &str) -> &str {
        self.get(key).unwrap_or_default()
    }

    /// A job of what this form asks for. The form's own number, if it has one, makes a repeat the same job for good.
    pub(super) fn order(&self, title: &'static str, path: &str, to: &'static str, work: Work) -> Order {
        let asked: Vec<String> = self.0.iter().filter(|(k, _)| *k != ONCE).map(|(k, v)| format!("{k:?}={v:?}")).collect();
        let same = format!("{path} {}", asked.join(" "));
        Order { title, to, once: self.get(ONCE).map(str::to_owned), same, awaited: false, work }
    }

    pub(super) fn contains_key(&self, key: &str) -> bool {
        self.0.contains_key(key)
    }

    pub(super) fn keys(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }

    /// A number, with a point or a comma.
    pub(super) fn number(&self, key: &str, otherwise: f64) -> Result<f64, Failure> {
        match self.get(key) {
            None => Ok(otherwise),
            Some(text) => text.replace(',', ".").parse().map_err(|_| wrong(format!("{text:?} is not a number"))),
        }
    }

    pub(super) fn whole(&self, key: &str, otherwise: u32) -> Result<u32, Failure> {
        match self.get(key) {
            None => Ok(otherwise),
            Some(text) => text.parse().map_err(|_| wrong(format!("{text:?} is not a whole number"))),
        }
    }
}

/// A field that cannot be used.
pub(super) fn wrong(what: impl Into<String>) -> Failure {
    Failure::plain("wrong-field", Fate::WrongUse, what, "correct the field and send it again")
}

/// A rig sheet out of the form's fields: the same text that one could have written by hand.
pub(super) fn sheet_of(fields: &Fields) -> Result<String, Failure> {
    let text = |key: &str| fields.get(key);
    let quoted = |v: &str| serde_json::to_string(v).unwrap_or_default();
    let mut out = String::from("[session]\n");
    for key in ["title", "question"] {
        if let Some(v) = text(key) {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{key} = {}", quoted(v));
        }
    }
    let kind = text("amp_kind").unwrap_or("valve");
    let _ = write!(out, "\n[amplifier]\nlabel = {}\nkind = {}\n", quoted(text("amp_label").unwrap_or("amplifier")), quoted(kind));
    if text("amp_w").is_some() {
        let _ = writeln!(out, "rated_w = {}", fields.number("amp_w", 0.0)?);
    }
    let taps: Vec<f64> = text("taps")
        .unwrap_or("")
        .split([',', ' ', ';'])
        .filter(|t| !t.is_empty())
        .map(|t| t.parse().map_err(|_| wrong(format!("the tap {t:?} is not a number"))))
        .collect::<Result<_, _>>()?;
    match (kind, taps.first()) {
        ("solid-state", Some(least)) => drop(writeln!(out, "min_load_ohm = {least}")),
        (_, Some(_)) => drop(writeln!(out, "taps_ohm = {taps:?}")),
        _ => {}
    }
    for i in 1..=sheet::DRIVERS {
        if let Some(label) = text(&format!("driver{i}")) {
            let _ = write!(
                out,
                "\n[[driver]]\nlabel = {}\nnominal_ohm = {}\n",
                quoted(label),
                fields.number(&format!("ohm{i}"), 8.0)?
            );
            if text(&format!("w{i}")).is_some() {
                let _ = writeln!(out, "rated_w = {}", fields.number(&format!("w{i}"), 0.0)?);
            }
        }
    }
    for i in 1..=sheet::SETUPS {
        let (Some(name), network) = (text(&format!("setup{i}")), text(&format!("network{i}"))) else { continue };
        if let Some(network) = network {
            let _ = write!(
                out,
                "\n[[wiring]]\nname = {0}\nnetwork = {1}\n\n[[setup]]\nname = {0}\nwiring = {0}\n",
                quoted(name),
                quoted(network)
            );
        } else {
            let _ = write!(out, "\n[[setup]]\nname = {}\n", quoted(name));
        }
        if text(&format!("tap{i}")).is_some() {
            let _ = writeln!(out, "tap_ohm = {}", fields.number(&format!("tap{i}"), 8.0)?);
        }
    }
    for mic in text("mics").unwrap_or("").split([',', ' ']).filter(|m| !m.is_empty()) {
        let _ = write!(out, "\n[[mic]]\nname = {}\n", quoted(mic));
    }
    Ok(out)
}
