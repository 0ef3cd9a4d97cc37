//! What all engineer's pages share: a track sheet with tabs of paper along its head.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};

/// What the last action had to say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Flash {
    /// It went wrong.
    pub(crate) bad: bool,
    /// Lines.
    pub(crate) lines: Vec<String>,
}

const PAGES: [(&str, &str); 7] = [
    ("/", "Sheet"),
    ("/runsheet", "Run sheet"),
    ("/takes", "Takes"),
    ("/clips", "Clips"),
    ("/tests", "Tests"),
    ("/results", "Results"),
    ("/log", "Log"),
];

fn frame(title: &str, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " \u{2013} cabjury" }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/assets/sheet.css";
                link rel="stylesheet" href="/assets/desk.css";
                script type="module" src="/assets/desk.js" {}
            }
            body { (body) }
        }
    }
}

/// A page of the session.
pub(crate) fn page(title: &str, flash: Option<&Flash>, body: &Markup) -> Markup {
    frame(
        title,
        &html! {
            a.skip href="#content" { "To the content" }
            header.tabs {
                nav.pages aria-label="Session" {
                    ul { @for (to, name) in PAGES {
                        li { a href=(to) aria-current=[(name == title).then_some("page")] { (name) } }
                    } }
                }
            }
            main #content {
                h1 { (title) }
                div #progress role="status" hidden { p #progress-what {} progress #progress-bar max="1" value="0" aria-label="Progress" {} }
                @if let Some(flash) = flash {
                    div.flash.bad[flash.bad] role=(if flash.bad { "alert" } else { "status" }) {
                        @for line in &flash.lines { p { (line) } }
                    }
                }
                (body)
            }
        },
    )
}

/// An error as a page.
pub(crate) fn error(status: u16, message: &str, next: &str) -> Markup {
    frame(
        &format!("{status}"),
        &html! {
            main #content {
                h1 { (sentence(message)) }
                p { (sentence(next)) }
            }
        },
    )
}

/// A capital at the beginning, a full stop at the end.
pub(crate) fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let first: String = chars.next().map(|c| c.to_uppercase().collect()).unwrap_or_default();
    let end = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{end}", chars.as_str())
}

/// A job's error as a page of its own.
pub(crate) fn failed(error: &Failure) -> Response {
    let explained = error.explain();
    let status = match explained.fate() {
        Fate::Failed => StatusCode::INTERNAL_SERVER_ERROR,
        _ => StatusCode::CONFLICT,
    };
    let body = html! {
        div.flash.bad role="alert" { p { (sentence(&explained.to_string())) } p { (sentence(&explained.next())) } }
    };
    (status, page("Trouble", None, &body)).into_response()
}

/// A line that says which command does the rest.
pub(crate) fn command(what: &str, line: &str) -> Markup {
    html! { p.command { (what) " " code { (line) } } }
}

/// A number of the form's own: sent twice, it does its work once.
pub(crate) fn once() -> Markup {
    // Without random bytes the same form is told apart by its fields.
    html! { @if let Ok(number) = crate::testing::desk::new_key() { input type="hidden" name="once" value=(number); } }
}

/// A field with its label.
pub(crate) fn field(name: &str, label: &str, value: &str, hint: &str) -> Markup {
    html! {
        div.field {
            label for=(name) { (label) }
            input id=(name) name=(name) value=(value);
            @if !hint.is_empty() { span.hint { (hint) } }
        }
    }
}

/// A choice of several.
pub(crate) fn select(name: &str, label: &str, options: &[(String, String)], chosen: &str) -> Markup {
    html! {
        div.field {
            label for=(name) { (label) }
            select id=(name) name=(name) {
                @for (value, text) in options { option value=(value) selected[value == chosen] { (text) } }
            }
        }
    }
}
