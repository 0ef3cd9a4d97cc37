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

impl Flash {
    /// Why something was not done, and what to do.
    pub(crate) fn of(error: &Failure) -> Self {
        Self { bad: true, lines: vec![sentence(&error.to_string()), sentence(&error.explain().next())] }
    }
}

/// What stands over every page of a session: its title, and the evening's steps with their state.
#[derive(Debug, Clone, Default)]
pub(crate) struct Head {
    /// The session's title.
    pub(crate) title: String,
    /// The steps in their order.
    pub(crate) steps: Vec<Step>,
}

/// A step of the evening.
#[derive(Debug, Clone)]
pub(crate) struct Step {
    /// Its page.
    pub(crate) to: &'static str,
    /// Its name.
    pub(crate) name: &'static str,
    /// How it stands, in a few words.
    pub(crate) state: String,
    /// Nothing has to be done here any more.
    pub(crate) done: bool,
    /// It comes next.
    pub(crate) next: bool,
}

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

/// The evening's steps as a line.
fn steps(head: &Head, title: &str) -> Markup {
    html! {
        header.tabs {
            p.session { a href="/" { (head.title) } }
            nav.pages aria-label="Steps" {
                ol { @for step in &head.steps {
                    li.done[step.done].next[step.next] {
                        a href=(step.to) aria-current=[(step.name == title).then_some("page")] {
                            span.name { (step.name) }
                            span.state {
                                @if step.done { span aria-hidden="true" { "\u{2713} " } }
                                @if step.next { "next: " }
                                (step.state)
                            }
                        }
                    }
                } }
            }
        }
    }
}

/// A page of the session.
pub(crate) fn page(title: &str, head: &Head, flash: Option<&Flash>, body: &Markup) -> Markup {
    let of = if head.title.is_empty() { title.to_owned() } else { format!("{title} \u{2013} {}", head.title) };
    frame(
        &of,
        &html! {
            a.skip href="#content" { "To the content" }
            (steps(head, title))
            main #content {
                h1 { (title) }
                div #progress role="status" hidden { p #progress-what {} progress #progress-bar max="1" value="0" aria-label="Progress" {} }
                @if let Some(flash) = flash {
                    div.flash.bad[flash.bad] role=(if flash.bad { "alert" } else { "status" }) {
                        @for line in &flash.lines { p { (line) } }
                    }
                }
                (body)
                footer { p.soft { a href="/log" { "The session\u{2019}s log and its audit" } } }
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
    (status, page("Trouble", &Head::default(), None, &body)).into_response()
}

/// The commands that do the same, folded away.
pub(crate) fn terminal(lines: &[(&str, String)]) -> Markup {
    html! {
        details.terminal {
            summary { "In the terminal" }
            @for (what, line) in lines { p.command { (what) " " code { (line) } } }
        }
    }
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
