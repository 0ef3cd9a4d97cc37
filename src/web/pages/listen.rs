//! The listening page's skeleton: everything that it may ever show is in it, hidden; the script shows one part at a time.

use crate::model::trial::Method;
use crate::testing::desk::seat::SeatView;
use maud::{DOCTYPE, Markup, html};

/// The page of one invitation, or of every visitor: `api` is where the latter ask, and they see their own count in the end.
pub(crate) fn page(code: &str, api: Option<&str>, view: &SeatView) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="dark";
                meta name="robots" content="noindex";
                title { "Blind listening" }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/assets/listen.css";
                script type="module" src="/assets/listen.js" {}
            }
            body {
                main data-code=(code) data-api=[api] {
                    header.top {
                        h1 { "Blind listening" }
                        p #count {}
                    }
                    p #status role="status" aria-live="polite" {}
                    div #lost .lost role="alert" hidden {
                        p { strong #lost-why {} " It is tried again by itself; an answer that was given is kept here and sent once." }
                    }
                    div #muted .lost role="alert" hidden {
                        p { strong { "The sound was interrupted." } " Nothing is counted as heard until it runs again." }
                        button #unmute type="button" { "Go on with sound" }
                    }
                    noscript { p { "This page needs JavaScript: it plays the sound." } }
                    (stages(view))
                    (trial(view))
                    (ends(api.is_some()))
                    (receipt())
                }
            }
        }
    }
}

/// What the listener takes home: it lies in their own browser, and goes along as a file or as text.
fn receipt() -> Markup {
    html! {
        details #receipt .soft hidden {
            summary { "Your receipt" }
            p {
                "It says which trials you answered and what the session's log was after each answer, and nothing of right or wrong. With it you "
                "can show later that the log which is presented is the one your answers went into: " code { "cabjury audit FOLDER --receipts FILE" }
            }
            div.row {
                a #receipt-file { "Save your receipt" }
                button #receipt-copy type="button" { "Copy it as text" }
                span #receipt-said role="status" {}
            }
            textarea #receipt-text readonly aria-label="Your receipt as text" rows="4" {}
        }
    }
}

fn stages(view: &SeatView) -> Markup {
    html! {
        section data-part="begin" hidden {
            h2 tabindex="-1" { "Before you begin" }
            @for line in &view.instructions { p { (line) } }
            p.soft { "Take headphones if you can. Nothing on this page moves with the sound, and the order is drawn at random for every trial." }
            p.caution {
                "Turn the volume down first. NIOSH's occupational limit is 85 dBA for 8 hours, halved for every 3 dB more. "
                "It does not promise that nothing happens: if your ears ring, stop."
            }
            button #begin .main type="button" { "Set the level" }
        }
        section data-part="level" hidden {
            h2 tabindex="-1" { "Set the level" }
            p { "You hear noise that is as loud as the samples. Bring it to a moderate level, and leave it alone from then on." }
            button #level-set .main type="button" { "The level is set" }
        }
        section data-part="ready" hidden {
            h2 tabindex="-1" { "Ready" }
            p { "Listen as often as you like. The next trial begins when you are ready." }
            button #next .main type="button" { "Next trial" }
        }
        section data-part="loading" hidden {
            h2 tabindex="-1" { "Loading" }
            p { "The sound is loaded into this device, so that nothing but your finger decides when it switches." }
            progress #loaded max="1" value="0" aria-label="Loading the sound" {}
        }
        section data-part="break" hidden {
            h2 tabindex="-1" { "A break" }
            p { "That was a dozen in a row. Ears tire without telling: take a few minutes of silence. Your place is kept." }
            button #go-on .main type="button" { "Go on" }
        }
    }
}

fn trial(view: &SeatView) -> Markup {
    let legend =
        if view.method == Method::Graded { "Rate every sample: 0 far from R, 100 the same as R" } else { &view.question };
    html! {
        section data-part="trial" hidden {
            h2 tabindex="-1" { (view.question) }
            div #pads .pads role="group" aria-label="Samples" {}
            div.row {
                button #hush type="button" { "Silence" }
                p.soft { "Keys: the letter or number of a sample; Escape for silence." }
            }
            form #answer {
                fieldset {
                    legend { (legend) }
                    div #choices .choices {}
                }
                fieldset #extra hidden {
                    legend { "If you like" }
                    p {
                        label for="confidence" { "How sure are you, 0 to 100?" } " "
                        input #confidence type="range" min="0" max="100" value="50"; " "
                        output #said for="confidence" { "not said" }
                    }
                    label for="remark" { "A remark" }
                    textarea #remark maxlength="2000" {}
                }
                div.row {
                    button #send .main type="submit" disabled { "Send the answer" }
                    p #missing .soft role="status" {}
                }
                p #sent role="status" hidden { "Sending \u{2026}" }
            }
        }
    }
}

fn ends(visitors: bool) -> Markup {
    html! {
        section data-part="done" hidden {
            h2 tabindex="-1" { "Thank you" }
            @if visitors {
                p { "You have answered every trial." }
                p #own-score {}
                p { "What all visitors answered is counted when the test is closed; nobody can see it before, the engineer included." }
            } @else {
                p { "You have answered every trial. The result is shown when the test is closed; nobody can see it before, the engineer included." }
            }
        }
        section data-part="closed" hidden {
            h2 tabindex="-1" { "The test is closed" }
            p { "Thank you. Ask the engineer for the report." }
        }
        section data-part="gone" hidden {
            @if visitors {
                h2 tabindex="-1" { "Your place is not known" }
                p { "Allow this page its one cookie, which keeps your place and nothing else, and reload it." }
            } @else {
                h2 tabindex="-1" { "This invitation is not known" }
                p { "Ask the engineer for a fresh link." }
            }
        }
    }
}
