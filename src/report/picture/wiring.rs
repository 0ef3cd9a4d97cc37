//! A setup's wiring for a slide, and setups beside each other: load in ohms, tap, who gets which share of the power.

use super::network::{Place, draw, factor, friendly};
use super::{Ground, MARGIN, Picture, scale};
use crate::circuit::Network;
use crate::circuit::notation::parse;
use crate::paint::font::{Weight, fitted};
use crate::paint::paper::{Hang, LEADING, Paper, Words};
use crate::paint::theme::Ink;
use crate::report::text::{count, percent};
use crate::report::view::SetupView;

/// Setups on one comparison picture.
pub const BESIDE: usize = 4;
/// Share bars below each other in one column.
const COLUMN: usize = 8;

/// What the rig sheet says about drivers: label and rating in words.
pub type Ratings = [(String, String)];

fn rating(ratings: &Ratings, label: &str) -> Option<String> {
    ratings.iter().find(|(l, _)| l == label).map(|(_, r)| r.clone())
}

/// A setup with a network that can be drawn.
fn network(setup: &SetupView) -> Option<Network> {
    parse(setup.network.as_deref()?).ok()
}

fn tap(setup: &SetupView) -> Option<String> {
    setup.tap_ohm.map(|t| format!("{t} ohm tap"))
}

/// `16.0 ohm on the 16 ohm tap, matched`.
fn load(setup: &SetupView) -> String {
    let load = setup.load.clone().unwrap_or_else(|| "not known".to_owned());
    let on = tap(setup).map_or_else(String::new, |t| format!(" on the {t}"));
    format!("{load}{on}{}", grade(setup).map_or_else(String::new, |g| format!(", {g}")))
}

fn forbidden(setup: &SetupView) -> bool {
    setup.grade.as_deref() == Some("do-not-connect")
}

fn grade(setup: &SetupView) -> Option<String> {
    setup.grade.as_ref().map(|g| g.replace('-', " "))
}

fn shares(setup: &SetupView) -> String {
    setup.shares.iter().map(|(d, s)| format!("{d} {}", percent(*s))).collect::<Vec<_>>().join(", ")
}

/// Cautions in one line, with where they stand whole.
fn cautions(setup: &SetupView) -> String {
    match setup.cautions.len() + setup.gate.len() {
        0 => "Power off and wait before changing wiring or tap; never run a valve amplifier without its load.".to_owned(),
        n => format!("{}: read the wiring card (cabjury rig) before powering up.", count(n, "caution", "cautions")),
    }
}

/// The slide of one setup; `None` where it has no network.
#[must_use]
pub fn slide(setup: &SetupView, ratings: &Ratings, foot: &str, ground: Ground) -> Option<Picture> {
    let net = network(setup)?;
    let mut paper = Paper::new(ground.size.room(), ground.theme);
    let room = paper.width - 2.0 * MARGIN;
    let size = fitted(&setup.name, Weight::Bold, room, 1, (84.0, 48.0));
    let mut y = paper.paragraph((MARGIN, MARGIN - 14.0), room, Words::bold(size, Ink::Ink), &setup.name);
    y = paper.paragraph((MARGIN, y), room, Words::plain(36.0, Ink::Soft), &friendly(&net));
    let base = paper.height - MARGIN + 10.0;
    foot_line(&mut paper, base, foot);
    let bottom = base - 40.0;
    let high = bottom - y;
    let (beside, below) = (room * 0.66, high - below_height(&paper, setup, room, high));
    // Whichever way draws the wiring larger.
    let wide = factor(&net, (beside, high)) >= factor(&net, (room, below));
    let place = if wide {
        Place { at: (MARGIN, y), size: (beside, high) }
    } else {
        Place { at: (MARGIN, y + 10.0), size: (room, below - 20.0) }
    };
    draw(&mut paper, &net, place, |label| rating(ratings, label));
    if wide {
        let left = MARGIN + beside + 40.0;
        let column = (left, room - beside - 40.0);
        let s = scale(1.15, bottom, |s| facts(&mut paper.scratch(), setup, (column.0, y + 20.0), column.1, s));
        facts(&mut paper, setup, (column.0, y + 20.0), column.1, s);
    } else {
        let s = below_scale(&paper, setup, room, high);
        facts(&mut paper, setup, (MARGIN, y + below), room, s);
    }
    let alt = format!("{}: {}. Load {}. Power share: {}.", setup.name, friendly(&net), load(setup), shares(setup));
    let title = format!("Wiring {}", setup.name);
    Some(Picture { svg: paper.finish(&title, &alt), title, alt })
}

fn below_scale(paper: &Paper, setup: &SetupView, room: f64, high: f64) -> f64 {
    scale(1.0, high * 0.5, |s| facts(&mut paper.scratch(), setup, (MARGIN, 0.0), room, s))
}

fn below_height(paper: &Paper, setup: &SetupView, room: f64, high: f64) -> f64 {
    let s = below_scale(paper, setup, room, high);
    facts(&mut paper.scratch(), setup, (MARGIN, 0.0), room, s)
}

/// Load, shares as bars, cautions; the lower edge.
fn facts(paper: &mut Paper, setup: &SetupView, at: (f64, f64), room: f64, s: f64) -> f64 {
    let name = Words::bold(28.0 * s, Ink::Soft);
    let ink = if forbidden(setup) { Ink::Accent } else { Ink::Ink };
    let mut y = paper.paragraph(at, room, name, "Load");
    y = paper.paragraph((at.0, y), room, Words::bold(40.0 * s, ink), &load(setup)) + 18.0 * s;
    if !setup.shares.is_empty() {
        y = paper.paragraph((at.0, y), room, name, "Share of the power");
        y = bars(paper, setup, (at.0, y), room, s) + 18.0 * s;
    }
    paper.paragraph((at.0, y), room, Words::plain(26.0 * s, Ink::Soft), &cautions(setup))
}

/// A bar per driver, in columns where there are many.
fn bars(paper: &mut Paper, setup: &SetupView, at: (f64, f64), room: f64, s: f64) -> f64 {
    let words = Words::plain(28.0 * s, Ink::Ink);
    let across = room > 900.0;
    let columns = if across && setup.shares.len() > 2 { 4.min(setup.shares.len()) } else { setup.shares.len().div_ceil(COLUMN) };
    let rows = setup.shares.len().div_ceil(columns);
    let (gap, step) = (36.0, words.size * 1.5);
    let wide = (room - gap * (columns as f64 - 1.0)) / columns as f64;
    let name = setup.shares.iter().map(|(d, _)| words.width(d)).fold(0.0, f64::max).min(wide * 0.5);
    let number = words.width("under 1 %");
    for (i, (driver, share)) in setup.shares.iter().enumerate() {
        let x = at.0 + (i / rows) as f64 * (wide + gap);
        let y = at.1 + (i % rows) as f64 * step;
        let size = fitted(driver, Weight::Regular, name, 1, (words.size, 8.0));
        paper.line_of_words((x, y + words.size), Words { size, ..words }, Hang::Left, driver);
        let full = (wide - name - number - 28.0 * s).max(4.0);
        let (corner, thick) = ((x + name + 14.0 * s, y + words.size * 0.3), words.size * 0.75);
        paper.bar(corner, (full, thick), Ink::Wash);
        paper.bar(corner, (full * share, thick), Ink::Accent);
        paper.line_of_words((corner.0 + full + 14.0 * s, y + words.size), words, Hang::Left, &percent(*share));
    }
    at.1 + rows as f64 * step
}

fn foot_line(paper: &mut Paper, base: f64, foot: &str) {
    let room = paper.width - 2.0 * MARGIN;
    let size = fitted(foot, Weight::Regular, room, 1, (24.0, 14.0));
    paper.line_of_words((MARGIN, base), Words::plain(size, Ink::Soft), Hang::Left, foot);
}

/// Setups beside each other, [`BESIDE`] to a picture; setups without a network are left out.
#[must_use]
pub fn comparisons(setups: &[SetupView], ratings: &Ratings, foot: &str, ground: Ground) -> Vec<Picture> {
    let drawn: Vec<(&SetupView, Network)> = setups.iter().filter_map(|s| Some((s, network(s)?))).collect();
    drawn
        .chunks(BESIDE)
        .filter(|chunk| drawn.len() > 1 && !chunk.is_empty())
        .map(|c| comparison(c, ratings, foot, ground))
        .collect()
}

fn comparison(setups: &[(&SetupView, Network)], ratings: &Ratings, foot: &str, ground: Ground) -> Picture {
    let mut paper = Paper::new(ground.size.room(), ground.theme);
    let room = paper.width - 2.0 * MARGIN;
    let base = paper.height - MARGIN + 10.0;
    foot_line(&mut paper, base, foot);
    let (top, gap) = (MARGIN - 14.0, 44.0);
    let columns = match (paper.width > paper.height * 1.2, setups.len()) {
        (true, n) if n <= 2 => n,
        (true, _) => 2,
        (false, n) if n <= 2 => 1,
        (false, _) if paper.width > paper.height * 0.9 => 2,
        (false, _) => 1,
    };
    let rows = setups.len().div_ceil(columns);
    let wide = (room - gap * (columns as f64 - 1.0)) / columns as f64;
    let high = (base - 50.0 - top - gap * (rows as f64 - 1.0)) / rows as f64;
    for (i, (setup, net)) in setups.iter().enumerate() {
        let at = (MARGIN + (i % columns) as f64 * (wide + gap), top + (i / columns) as f64 * (high + gap));
        cell(&mut paper, (setup, net), ratings, Place { at, size: (wide, high) });
    }
    for c in 1..columns {
        let x = MARGIN + c as f64 * (wide + gap) - gap / 2.0;
        paper.stroke((x, top), (x, base - 50.0), Ink::Wash, 3.0);
    }
    for r in 1..rows {
        let y = top + r as f64 * (high + gap) - gap / 2.0;
        paper.stroke((MARGIN, y), (MARGIN + room, y), Ink::Wash, 3.0);
    }
    let said: Vec<String> = setups.iter().map(|(s, n)| format!("{}: {}, {}", s.name, friendly(n), load(s))).collect();
    let names: Vec<&str> = setups.iter().map(|(s, _)| s.name.as_str()).collect();
    let title = format!("Wirings {}", names.join(" and "));
    Picture { svg: paper.finish(&title, &said.join(". ")), title, alt: said.join(". ") }
}

/// The text where two lines of the smallest size hold it, else what is said in place of it.
fn in_two_lines(text: String, instead: &str, room: f64) -> String {
    if Words::plain(24.0, Ink::Ink).wrap(&text, room).len() <= 2 { text } else { instead.to_owned() }
}

/// One setup of a comparison: name, what it is, drawing, load and shares.
fn cell(paper: &mut Paper, (setup, net): (&SetupView, &Network), ratings: &Ratings, place: Place) {
    let (at, (wide, high)) = (place.at, place.size);
    let size = fitted(&setup.name, Weight::Bold, wide, 1, (60.0, 30.0));
    let mut y = paper.paragraph(at, wide, Words::bold(size, Ink::Ink), &setup.name);
    let told = in_two_lines(friendly(net), &count(setup.shares.len(), "driver", "drivers"), wide);
    let small = fitted(&told, Weight::Regular, wide, 2, (32.0, 24.0));
    y = paper.paragraph((at.0, y), wide, Words::plain(small, Ink::Soft), &told);
    let (load, shares) =
        (load(setup), in_two_lines(format!("Power: {}", shares(setup)), "Power: see the setup's own picture", wide));
    let ink = if forbidden(setup) { Ink::Accent } else { Ink::Ink };
    let bold = Words::bold(fitted(&load, Weight::Bold, wide, 1, (36.0, 28.0)), ink);
    let plain = Words::plain(fitted(&shares, Weight::Regular, wide, 2, (32.0, 24.0)), Ink::Ink);
    let below = LEADING * (bold.size * bold.wrap(&load, wide).len() as f64 + plain.size * plain.wrap(&shares, wide).len() as f64);
    draw(paper, net, Place { at: (at.0, y), size: (wide, at.1 + high - below - y) }, |label| rating(ratings, label));
    let y = paper.paragraph((at.0, at.1 + high - below), wide, bold, &load);
    paper.paragraph((at.0, y), wide, plain, &shares);
}
