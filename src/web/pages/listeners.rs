//! The panel's board: who is invited, who is in which trial, who left. It knows no order and no answer, so it can tell none.

use super::layout::terminal;
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::report::text::count;
use crate::testing::desk::board::{PlaceOf, TestBoard};
use crate::web::App;
use crate::web::qr::svg;
use maud::{Markup, PreEscaped, html};
use std::path::Path;

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let boards = app.desk.wait(|desk, done| desk.boards(done))?;
    let (open, closed): (Vec<&TestBoard>, Vec<&TestBoard>) = boards.iter().partition(|b| !b.closed);
    let invited = open.iter().any(|b| b.listeners.iter().any(|l| l.code.is_some()));
    Ok(html! {
        @if boards.is_empty() { p { "No test is sealed yet, so nobody can be invited. " a href="/tests" { "Plan one first" } "." } }
        @for board in &open { (of_test(board, app)) }
        @if invited { p { a.button href="/cards" { "Print a card for each listener" } } }
        @if open.is_empty() && !closed.is_empty() { p { "Every test is closed. " a.button.main href="/results" { "Read the verdict" } } }
        @if !closed.is_empty() && !open.is_empty() { p.soft { (count(closed.len(), "test is closed", "tests are closed")) ". " a href="/results" { "Their verdicts" } "." } }
        (terminal(&[
            ("A listener at this computer, with a sound card of choice:", format!("cabjury listen {} --listener CODE", quoted(folder))),
            ("Simulated listeners through the code that people go through:", format!("cabjury rehearse {} --hears 0.5", quoted(folder))),
        ]))
    })
}

fn of_test(board: &TestBoard, app: &App) -> Markup {
    let busy: Vec<&str> = board.listeners.iter().filter(|l| l.in_trial.is_some()).map(|l| l.listener.as_str()).collect();
    html! {
        section.part id={ "panel-" (board.test) } {
            h2 { (board.test) ", " (board.method) }
            div.scroll tabindex="0" role="group" aria-label={ "Listeners of " (board.test) } {
                table.board data-test=(board.test) {
                    thead { tr { th scope="col" { "listener" } th scope="col" { "where" } th scope="col" { "trials" } th scope="col" { "link" } } }
                    tbody { @for place in &board.listeners { (row(board, place)) } }
                }
            }
            @if board.listeners.is_empty() { p { "Nobody is invited yet." } }
            p.soft { (count(board.places as usize, "place", "places")) " in all. Right and wrong are shown when the test is closed, to nobody before." }
            form.row method="post" action="/invite" {
                input type="hidden" name="test" value=(board.test);
                div.field { label for={ "who-" (board.test) } { "Invite a listener" } input id={ "who-" (board.test) } name="listener" required size="16"; span.hint { "a short code, printed in the report" } }
                button.main type="submit" { "Make a link" }
            }
            @for place in &board.listeners { @if let Some(code) = &place.code { (invitation(code, &place.listener, app)) } }
            details {
                summary { "End this test before its last trial" }
                p { "Every planned trial that is not answered counts against every claim. This cannot be undone." }
                form method="post" action="/close" data-busy=(busy.join(", ")) {
                    input type="hidden" name="test" value=(board.test);
                    @if !busy.is_empty() {
                        p.warning role="note" { (busy.join(", ")) " " (if busy.len() == 1 { "is" } else { "are" }) " in the middle of a trial: it is lost when the test is closed now." }
                    }
                    p { label { input type="checkbox" name="sure" value="yes"; " Close it also while somebody is in a trial" } }
                    button type="submit" { "Close " (board.test) " for good" }
                }
            }
        }
    }
}

fn row(board: &TestBoard, place: &PlaceOf) -> Markup {
    let through = board.planned.is_some_and(|p| place.done >= p);
    let state = match (through, place.in_trial, place.begun) {
        (true, ..) => "through".to_owned(),
        (_, Some(n), _) => format!("in trial {n}"),
        (_, _, true) => "between two trials".to_owned(),
        _ => "invited".to_owned(),
    };
    html! {
        tr data-listener=(place.listener) {
            th scope="row" { (place.listener) }
            td.where { (state) }
            td.num { (place.done) @if let Some(planned) = board.planned { " of " (planned) } }
            td { @if let Some(code) = &place.code { a href={ "/l/" (code) } { "open" } } @else { "at this computer" } }
        }
    }
}

fn invitation(code: &str, listener: &str, app: &App) -> Markup {
    let url = format!("{}/l/{code}", app.base());
    html! {
        details.invitation {
            summary { "Link and code of " (listener) }
            p { a href={ "/l/" (code) } { (url) } }
            @if let Some(code) = svg(&url) { figure.qr { (PreEscaped(code)) figcaption { "For " (listener) "\u{2019}s phone" } } }
            @if !app.lan { p.soft { "This link works on this computer. For phones in the room, start the desk with --lan." } }
        }
    }
}

/// Cards to print and to hand out: one a listener, with nothing on it that tells anything of the test.
pub(super) fn cards(_folder: &Path, app: &App) -> Result<Markup, Failure> {
    let boards = app.desk.wait(|desk, done| desk.boards(done))?;
    let open: Vec<&TestBoard> = boards.iter().filter(|b| !b.closed).collect();
    let any = open.iter().any(|b| b.listeners.iter().any(|l| l.code.is_some()));
    Ok(html! {
        @if any { p.noprint { "One card a listener. Print this page, cut it, and hand each card to its owner: a link belongs to one person. " a href="/listeners" { "Back to the listeners" } "." } }
        @else { p { "Nobody is invited yet. " a href="/listeners" { "Invite listeners first" } "." } }
        div.cards {
            @for board in open {
                @for place in &board.listeners {
                    @if let Some(code) = &place.code {
                        @let url = format!("{}/l/{code}", app.base());
                        article.ticket {
                            h2 { (place.listener) }
                            @if let Some(picture) = svg(&url) { figure.qr { (PreEscaped(picture)) } }
                            p { "Blind listening, " (board.test) }
                            p.link { (url) }
                            p.soft { "Headphones help. This link is yours alone." }
                        }
                    }
                }
            }
        }
    })
}
