//! The listening page's skeleton: everything that it may ever show is in it, hidden; the script shows one part at a time.

use crate::model::trial::Method;
use crate::testing::desk::seat::SeatView;
use crate::web::texts::{Texts, languages};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The page of one invitation, in one language; of an audience's visitors where `api` says where they ask.
pub(crate) fn page(code: &str, api: Option<&str>, view: &SeatView, t: &Texts) -> Markup {
    html! {
        (DOCTYPE)
        html lang=(t.language) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="dark";
                meta name="robots" content="noindex";
                title { (t.get("page.title")) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/assets/listen.css";
                link rel="stylesheet" href="/assets/seat.css";
                script #texts type="application/json" { (PreEscaped(t.for_script())) }
                script type="module" src="/assets/listen.js" {}
            }
            body {
                main data-code=(code) data-api=[api] data-word=[view.attribute.as_deref()] {
                    header.top {
                        h1 { (t.get("page.title")) }
                        p #count {}
                    }
                    (voice(t))
                    noscript { p { (t.get("page.script")) } }
                    (before(view, t))
                    (ready(t))
                    (trial(view, t))
                    (ends(api.is_some(), t))
                    (receipt(t))
                    nav.languages aria-label=(t.get("page.language")) {
                        ul { @for (code, name) in languages() {
                            li { a href={ "?lang=" (code) } lang=(code) hreflang=(code) aria-current=[(code == t.language).then_some("true")] { (name) } }
                        } }
                    }
                }
            }
        }
    }
}

/// The one place where the page speaks up: what was saved, what went wrong, and that the sound is gone.
fn voice(t: &Texts) -> Markup {
    html! {
        div #voice role="status" aria-live="polite" {
            p #status {}
            p #trouble .lost hidden {}
            div #muted .lost hidden {
                p { strong { (t.get("muted.text")) } }
                button #unmute type="button" { (t.get("muted.on")) }
            }
        }
    }
}

fn question(view: &SeatView, t: &Texts) -> String {
    t.with(&format!("question.{}", view.method.name()), "word", view.attribute.as_deref().unwrap_or_default())
}

fn before(view: &SeatView, t: &Texts) -> Markup {
    let how = if view.crossed { "how.crossed".to_owned() } else { format!("how.{}", view.method.name()) };
    html! {
        section data-part="begin" hidden {
            h2 tabindex="-1" { (t.get("begin.title")) }
            @for line in t.lines(&how) { p { (line) } }
            p.soft { (t.get("begin.headphones")) }
            p.caution { (t.get("begin.caution")) }
            button #begin .main type="button" { (t.get("begin.go")) }
        }
        section data-part="level" hidden {
            h2 tabindex="-1" { (t.get("level.title")) }
            p { (t.get("level.text")) }
            div.row {
                button #noise type="button" aria-pressed="false" { (t.get("level.play")) }
                button #level-set .main type="button" { (t.get("level.set")) }
            }
        }
        section data-part="loading" hidden {
            h2 tabindex="-1" { (t.get("loading.title")) }
            p { (t.get("loading.text")) }
            progress #loaded max="1" value="0" aria-label=(t.get("loading.title")) {}
        }
        section data-part="break" hidden {
            h2 tabindex="-1" { (t.get("break.title")) }
            p { (t.get("break.text")) }
            button #go-on .main type="button" { (t.get("break.go")) }
        }
    }
}

fn ready(t: &Texts) -> Markup {
    html! {
        section data-part="ready" hidden {
            h2 tabindex="-1" { (t.get("ready.title")) }
            p { (t.get("ready.text")) }
            p #rest .soft {}
            button #next .main type="button" { (t.get("ready.next")) }
            details #training {
                summary { (t.get("training.title")) }
                p.soft { (t.get("training.text")) }
                p #drawn .soft hidden { (t.get("training.samples")) }
                ol #openly .samples {}
            }
        }
    }
}

fn trial(view: &SeatView, t: &Texts) -> Markup {
    html! {
        section data-part="trial" hidden {
            form #answer {
                fieldset.sheet {
                    legend { h2 tabindex="-1" { (question(view, t)) } }
                    ol #samples .samples data-rated[view.method == Method::Graded] aria-label=(t.get("trial.samples")) {}
                }
                div.row {
                    button #hush type="button" { (t.get("trial.silence")) }
                    div.row role="group" aria-label=(t.get("part.title")) {
                        button #part-from type="button" { (t.get("part.from")) }
                        button #part-to type="button" disabled { (t.get("part.to")) }
                        button #part-whole type="button" disabled { (t.get("part.whole")) }
                    }
                    p #part-said .soft { (t.get("part.all")) }
                }
                fieldset #extra hidden {
                    legend { (t.get("extra.title")) }
                    p.row {
                        label for="confidence" { (t.get("extra.sure")) }
                        input #confidence .unsaid type="range" min="0" max="100" value="50" aria-valuetext=(t.get("extra.unsaid"));
                        output #said for="confidence" { (t.get("extra.unsaid")) }
                        button #unsay type="button" hidden { (t.get("extra.clear")) }
                    }
                    label for="remark" { (t.get("extra.remark")) }
                    textarea #remark maxlength="2000" {}
                }
                div.row {
                    button #send .main type="submit" aria-describedby="missing" disabled { (t.get("trial.send")) }
                    p #missing .soft {}
                }
                p.soft.keys { (t.get("trial.keys")) }
            }
        }
    }
}

fn ends(visitors: bool, t: &Texts) -> Markup {
    html! {
        section data-part="done" hidden {
            h2 tabindex="-1" { (t.get("done.title")) }
            p { (t.get(if visitors { "done.visitors" } else { "done.text" })) }
            @if visitors { (result(visitors, t)) }
        }
        section data-part="closed" hidden {
            h2 tabindex="-1" { (t.get("closed.title")) }
            p { (t.get("closed.text")) }
            @if !visitors { (result(visitors, t)) }
        }
        section data-part="gone" hidden {
            h2 tabindex="-1" { (t.get("gone.title")) }
            p { (t.get(if visitors { "gone.visitors" } else { "gone.text" })) }
        }
    }
}

/// The listener's own count; the whole test's result is not a visitor's.
fn result(visitors: bool, t: &Texts) -> Markup {
    html! {
        div #result hidden {
            h3 { (t.get("result.title")) }
            div #own {}
            p.soft hidden[visitors] { (t.get("result.test")) }
            blockquote #sentence lang="en" hidden[visitors] {}
        }
    }
}

/// What the listener takes home: it lies in their own browser, and goes along as a file or as text.
fn receipt(t: &Texts) -> Markup {
    html! {
        details #receipt .soft hidden {
            summary { (t.get("receipt.title")) }
            p { (t.get("receipt.text")) " " code lang="en" { "cabjury audit FOLDER --receipts FILE" } }
            div.row {
                a #receipt-file { (t.get("receipt.save")) }
                button #receipt-copy type="button" { (t.get("receipt.copy")) }
                span #receipt-said role="status" {}
            }
            textarea #receipt-text readonly aria-label=(t.get("receipt.field")) rows="4" {}
        }
    }
}
