//! A static folder for any web host, on which every visitor draws their own trials. Unguarded: it says so, and is never added to a sealed
//! test.

use maud::{DOCTYPE, Markup, html};
use serde::Serialize;

/// The sound path of the audience page and of the listening page: one and the same.
pub const PLAYER: &str = include_str!("files/player.js");
/// Their look.
pub const STYLE: &str = include_str!("files/listen.css");
/// What the audience page does.
pub const SCRIPT: &str = include_str!("files/audience.js");

/// What the page's script reads.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Data {
    /// The session's title.
    pub title: String,
    /// The two setups' names, shown with the score at the end.
    pub setups: Vec<String>,
    /// Per setup the clips' files.
    pub clips: Vec<Vec<String>>,
    /// Trials of each visitor.
    pub trials: u32,
    /// Frames per second.
    pub rate_hz: u32,
}

/// The page.
#[must_use]
pub fn page(data: &Data, invented: Option<&str>, differs: &[String]) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="dark";
                meta name="referrer" content="no-referrer";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'";
                title { "Can you hear it? " (data.title) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="style.css";
                script type="module" src="audience.js" {}
            }
            body {
                main {
                    header.top { h1 { (data.title) } p #count {} }
                    @if let Some(invented) = invented { p.lost role="note" { (invented) } }
                    p #status role="status" aria-live="polite" {}
                    noscript { p { "This page needs JavaScript: it draws your trials and plays the sound." } }
                    (begin(data, differs))
                    (trial())
                    (end())
                }
            }
        }
    }
    .into_string()
}

fn begin(data: &Data, differs: &[String]) -> Markup {
    html! {
        section data-part="begin" {
            h2 tabindex="-1" { "Can you hear the difference?" }
            p { "Two setups of one guitar cab, matched in loudness: " (data.setups.join(" and ")) "." }
            @for fact in differs { p { "What differs: " (fact) "." } }
            p { "In each of " (data.trials) " trials A and B are two different setups, and X is one of the two, perhaps another take. Which one? If you do not know, guess." }
            p.soft { "Your trials are drawn in your browser, and nothing leaves it. Nobody watches, so this is a game and no proof: it is never added to a guarded test." }
            p.caution { "Turn the volume down first, then bring it to a moderate level and leave it alone. If your ears ring, stop." }
            button #begin .main type="button" { "Begin" }
        }
        section data-part="loading" hidden {
            h2 tabindex="-1" { "Loading" }
            progress #loaded max="1" value="0" aria-label="Loading the sound" {}
        }
    }
}

fn trial() -> Markup {
    html! {
        section data-part="trial" hidden {
            h2 tabindex="-1" { "Which is X: A or B?" }
            div #pads .pads role="group" aria-label="Samples" {}
            div.row {
                button #hush type="button" { "Silence" }
                p.soft { "Keys: A, B, X; Escape for silence." }
            }
            form #answer {
                fieldset {
                    legend { "Which is X: A or B?" }
                    div.choices {
                        label { input type="radio" name="choice" value="A"; " A" }
                        label { input type="radio" name="choice" value="B"; " B" }
                    }
                }
                div.row { button #send .main type="submit" disabled { "Answer" } p #missing .soft role="status" {} }
            }
        }
    }
}

fn end() -> Markup {
    html! {
        section data-part="end" hidden {
            h2 tabindex="-1" { "Your score" }
            p #score {}
            p #meaning {}
            p { label for="who" { "A name of your own, if you send your answers in" } " " input #who maxlength="40" autocomplete="off"; }
            p { label for="text" { "Your answers as text, to copy" } }
            textarea #text readonly rows="8" {}
            div.row { button #copy type="button" { "Copy" } button #again type="button" { "Once more, from the beginning" } }
        }
    }
}
