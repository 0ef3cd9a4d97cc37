//! What goes out, each with its options and a button: report, pictures, sound for a video, the audience's page, the bundle; and what lies
//! there already.

use super::layout::{field, once, select, terminal};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::publish::picture::Kind;
use crate::publish::report::whole;
use crate::report::picture::Size;
use crate::report::view::Report;
use crate::web::App;
use crate::web::published::files;
use crate::web::qr::svg;
use maud::{Markup, PreEscaped, html};
use std::collections::BTreeMap;
use std::path::Path;

/// What pictures there are: the form's field, how it is named, and what it draws.
pub(crate) const PICTURES: [(&str, &str, Kind); 5] = [
    ("what-card", "Result card of each closed test", Kind::Card),
    ("what-plots", "Plots", Kind::Plot),
    ("what-wirings", "One wiring a setup", Kind::Wiring),
    ("what-comparison", "Wirings beside each other", Kind::Comparison),
    ("reveal", "The picks one after another, moving", Kind::Reveal),
];

pub(super) fn page(folder: &Path, app: &App) -> Result<Markup, Failure> {
    let report = whole(folder, app.clock)?;
    let shown = quoted(folder);
    let closed = report.tests.iter().any(|t| t.score.is_some());
    Ok(html! {
        @if !closed { p { "No test is closed yet: a report made now holds no verdict. " a href="/listeners" { "Who is where" } "." } }
        (lying(folder))
        (the_report())
        (pictures(closed))
        (montage())
        (audience(&report))
        (bundle())
        (vouched(&report))
        (terminal(&[
            ("The report as a file:", format!("cabjury report {shown}")),
            ("Pictures for a video or a slide:", format!("cabjury picture {shown}")),
            ("One row per trial, for a spreadsheet:", format!("cabjury score {shown} --csv FILE.csv")),
            ("Sound track, captions and chapter times for a video:", format!("cabjury montage {shown} --out DIR")),
            ("A blind one for an audience:", format!("cabjury montage {shown} --blind --out DIR")),
            ("A page on which every visitor draws their own trials:", format!("cabjury report {shown} --audience DIR")),
            ("An audience\u{2019}s answers:", format!("cabjury votes {shown} FILE.csv")),
            ("The session for another computer:", format!("cabjury bundle {shown} --out FILE.zip")),
        ]))
    })
}

fn vouched(report: &Report) -> Markup {
    let fingerprints: Vec<&String> = report.tests.iter().filter_map(|t| t.fingerprint.as_ref()).collect();
    html! {
        @if !fingerprints.is_empty() {
            section.part {
                h2 { "So that others can vouch" }
                p { "Publish this line before the first listener, and again with the result:" }
                @for line in fingerprints {
                    p { code { (line) } }
                    @if let Some(picture) = svg(line) { figure.qr { (PreEscaped(picture)) } }
                }
            }
        }
    }
}

fn tick(name: &str, label: &str, on: bool) -> Markup {
    html! { label.check { input type="checkbox" name=(name) value="1" checked[on]; " " (label) } }
}

fn size(bytes: u64) -> String {
    let kilo = bytes as f64 / 1000.0;
    if kilo < 1000.0 { format!("{:.0} kB", kilo.max(1.0)) } else { format!("{:.1} MB", kilo / 1000.0) }
}

fn address(path: &str) -> String {
    format!("/published/{}", path.replace(' ', "%20"))
}

/// The number at the end of `pictures-12` or `report-3.html`.
fn number(name: &str) -> u32 {
    let stem = name.split('.').next().unwrap_or(name);
    stem.rsplit('-').next().and_then(|n| n.parse().ok()).unwrap_or(0)
}

/// What was made already: pictures to see, everything to save.
fn lying(folder: &Path) -> Markup {
    let mut made: BTreeMap<String, Vec<(String, u64)>> = BTreeMap::new();
    for (path, bytes) in files(folder) {
        let of = path.split('/').next().unwrap_or(&path).to_owned();
        made.entry(of).or_default().push((path, bytes));
    }
    let mut made: Vec<_> = made.into_iter().collect();
    made.sort_by_key(|(name, _)| {
        let kind: String = name.chars().take_while(|c| c.is_alphabetic()).collect();
        (kind, std::cmp::Reverse(number(name)))
    });
    html! {
        @if !made.is_empty() {
            section.part {
                h2 { "Made already" }
                p.soft { "In the session\u{2019}s folder, under " code { "published" } ". Nothing there is ever overwritten." }
                @for (name, files) in &made {
                    @if let [(path, bytes)] = files.as_slice() {
                        p { a href=(address(path)) download { (path) } " " span.soft { (size(*bytes)) } }
                    } @else {
                        details open[name.starts_with("pictures-") && made.iter().all(|(n, _)| !n.starts_with("pictures-") || number(n) <= number(name))] {
                            summary { (name) " " span.soft { (files.len()) " files, " (size(files.iter().map(|f| f.1).sum())) } }
                            (of_one(files))
                        }
                    }
                }
            }
        }
    }
}

fn of_one(files: &[(String, u64)]) -> Markup {
    let (shown, others): (Vec<_>, Vec<_>) =
        files.iter().partition(|(path, _)| path.ends_with(".png") && path.matches('/').count() == 1);
    let name = |path: &str| path.split_once('/').map_or(path, |p| p.1).to_owned();
    html! {
        @if !shown.is_empty() {
            ul.shown {
                @for (path, bytes) in &shown {
                    li {
                        a href=(address(path)) { img src=(address(path)) alt=(name(path)) loading="lazy"; }
                        a href=(address(path)) download { "Save " (name(path)) } " " span.soft { (size(*bytes)) }
                    }
                }
            }
        }
        @if !others.is_empty() { ul { @for (path, bytes) in &others { li { a href=(address(path)) download { (name(path)) } " " span.soft { (size(*bytes)) } } } } }
    }
}

/// What can go out: its name, what it is, and the form that makes it.
fn card(title: &str, text: &str, form: &Markup) -> Markup {
    html! {
        section.card {
            h2 { (title) }
            p { (text) }
            (form)
        }
    }
}

fn the_report() -> Markup {
    let form = html! {
        div.row {
            a.button.main href="/report" { "Open the report" }
            form method="post" action="/publish/report" { (once()) button type="submit" { "Write it as a file" } }
        }
    };
    card(
        "The report",
        "One page with wirings, takes, matching, plans, picks, and the sum by hand. It needs nothing else, and prints.",
        &form,
    )
}

/// Pictures to choose, their size and ground.
pub(super) fn pictures(closed: bool) -> Markup {
    let sizes: Vec<(String, String)> = Size::ALL
        .into_iter()
        .map(|s| (s.name().to_owned(), s.name().replace('x', " \u{d7} ")))
        .chain([("all".to_owned(), "all three".to_owned())])
        .collect();
    let grounds = [("light", "light"), ("dark", "dark"), ("both", "both")].map(|(v, t)| (v.to_owned(), t.to_owned()));
    let form = html! {
        form method="post" action="/publish/picture" {
            (once())
            fieldset {
                legend { "Which" }
                @for (name, label, kind) in PICTURES {
                    @let of_verdict = matches!(kind, Kind::Card | Kind::Reveal);
                    @if closed || !of_verdict { (tick(name, label, kind != Kind::Reveal && (closed || kind != Kind::Plot))) }
                }
            }
            div.row {
                (select("size", "Width and height in pixels", &sizes, Size::Wide.name()))
                (select("theme", "Ground", &grounds, "light"))
                button type="submit" { "Draw them" }
            }
        }
    };
    card(
        "Pictures",
        "For a video, a post or a slide, as SVG and PNG. Every one says what it is of, and carries the fingerprint.",
        &form,
    )
}

fn montage() -> Markup {
    let form = html! {
        form method="post" action="/publish/montage" {
            (once())
            div {
                (tick("level_mics", "All mics at one loudness", false))
                (tick("raw_level", "Levels as recorded", false))
                (tick("video", "A picture a clip, and the command that makes a video", false))
            }
            div.row {
                (field("blind", "Blind: numbered clips", "", "empty for a plain one; 8 to 20 for an audience that votes"))
                button type="submit" { "Make it" }
            }
        }
    };
    card("Sound for a video", "The setups one after another, matched, with captions, chapters and a cue sheet.", &form)
}

fn audience(report: &Report) -> Markup {
    let names: Vec<&str> = report.setups.iter().map(|s| s.name.as_str()).collect();
    let mut pairs = vec![(String::new(), "all; the visitor chooses two".to_owned())];
    for (i, first) in names.iter().enumerate() {
        pairs.extend(names[i + 1..].iter().map(|second| (format!("{first}/{second}"), format!("{first} and {second}"))));
    }
    let form = html! {
        form method="post" action="/publish/audience" {
            (once())
            div {
                (tick("flac", "FLAC, about half the size", true))
                (tick("one_file", "Everything in one file, which also opens from a folder or a mail", false))
            }
            div.grid {
                @if names.len() > 2 { (select("pair", "Which setups", &pairs, "")) }
                (field("seconds", "First seconds of each clip", "", "empty for the whole clip"))
                (field("send_to", "Where answers go", "", "a mail address or a page (https://...); empty: visitors keep their line"))
            }
            button type="submit" { "Make the page" }
        }
    };
    card(
        "A page for visitors",
        "For any web host: every visitor draws 6, 10 or 16 trials of their own and sees what they heard. Nobody watches, so it is a game: its answers are counted apart, and never into a test.",
        &form,
    )
}

fn bundle() -> Markup {
    let form = html! {
        form.row method="post" action="/publish/bundle" {
            (once())
            (tick("without_audio", "Without the recordings", false))
            button type="submit" { "Bundle it" }
        }
    };
    card("The whole session", "One file for another computer, or for somebody who wants to check everything.", &form)
}
