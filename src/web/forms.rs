//! What the engineer's forms send: fields read as numbers and names, and a rig sheet put together from them.

use super::drafts::Typed;
use super::jobs::{Order, Work};
use super::pages::layout::{Flash, Head, page};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::{AmplifierKind, Rig};
use crate::rig::sheet::read_sheet;
use axum::extract::{Form, FromRequest, Request};
use axum::response::{IntoResponse, Response};
use maud::html;
use std::collections::BTreeMap;
use std::fmt::Write;

/// The field that holds a form's own number.
const ONCE: &str = "once";
/// Drivers of the rig's form: more than these are written in a sheet.
pub(super) const DRIVERS: usize = 4;
/// Its setups.
pub(super) const SETUPS: usize = 4;

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
                Err((rejection.status(), page("Trouble", &Head::default(), Some(&Flash { bad: true, lines }), &body))
                    .into_response())
            }
        }
    }
}

impl Fields {
    /// All fields as they were typed, to be shown again.
    pub(super) fn typed(&self) -> Typed {
        self.0.clone()
    }

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
    amplifier(fields, &mut out)?;
    for i in 1..=DRIVERS {
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
    for i in 1..=SETUPS {
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

/// The amplifier, if anything was said of it.
fn amplifier(fields: &Fields, out: &mut String) -> Result<(), Failure> {
    let text = |key: &str| fields.get(key);
    if ["amp_label", "amp_w", "taps"].into_iter().all(|key| text(key).is_none()) {
        return Ok(());
    }
    let quoted = |v: &str| serde_json::to_string(v).unwrap_or_default();
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
    Ok(())
}

/// The form's fields of a rig; none when the rig holds more than the form has fields for, so that sending it again would lose something.
pub(super) fn fields_of(rig: &Rig) -> Option<Typed> {
    let mut out = Typed::new();
    let mut put = |key: String, value: Option<String>| drop(value.map(|v| out.insert(key, v)));
    put("title".to_owned(), rig.title.clone());
    put("question".to_owned(), rig.question.clone());
    if let Some(amp) = &rig.amplifier {
        let solid = amp.kind == AmplifierKind::SolidState;
        put("amp_label".to_owned(), Some(amp.label.clone()));
        put("amp_kind".to_owned(), Some(if solid { "solid-state" } else { "valve" }.to_owned()));
        put("amp_w".to_owned(), amp.rated_w.map(|w| w.value().to_string()));
        let taps = amp.taps_ohm.iter().chain(&amp.min_load_ohm).map(|t| t.value().to_string());
        put("taps".to_owned(), Some(taps.collect::<Vec<_>>().join(", ")).filter(|t| !t.is_empty()));
    }
    for (i, driver) in (1..).zip(&rig.drivers) {
        put(format!("driver{i}"), Some(driver.label.to_string()));
        put(format!("ohm{i}"), Some(driver.nominal_ohm.value().to_string()));
        put(format!("w{i}"), driver.rated_w.map(|w| w.value().to_string()));
    }
    for (i, setup) in (1..).zip(&rig.setups) {
        put(format!("setup{i}"), Some(setup.name.to_string()));
        put(format!("network{i}"), setup.wiring.as_ref().and_then(|w| rig.wiring(w)).map(|w| w.network.clone()));
        put(format!("tap{i}"), setup.tap_ohm.map(|t| t.value().to_string()));
    }
    let mics: Vec<String> = rig.mics.iter().map(|m| m.name.to_string()).collect();
    put("mics".to_owned(), Some(mics.join(", ")).filter(|m| !m.is_empty()));
    let again = sheet_of(&Fields(out.clone())).ok().and_then(|text| read_sheet(&text).ok());
    (again.as_ref() == Some(rig)).then_some(out)
}
