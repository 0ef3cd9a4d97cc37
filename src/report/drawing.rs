//! Wiring drawings as SVG: tip left, sleeve right, right-angle wires, dots at junctions, no crossings. A leaf is one cell; a series group is as
//! wide as its members together, a parallel group as high.

use crate::circuit::Network;
use crate::model::ids::DriverLabel;
use maud::{Markup, html};

/// One setup to draw.
#[derive(Debug, Clone)]
pub struct Card {
    /// The setup's name.
    pub title: String,
    /// Its network.
    pub network: Network,
    /// Its tap in words.
    pub tap: String,
    /// Rated impedance of each driver.
    pub ohms: Vec<(DriverLabel, f64)>,
    /// Lines below the drawing: grade, reading to expect, cautions. Long ones are broken.
    pub notes: Vec<String>,
}

/// A cell: 110 x 70.
const W: f64 = 110.0;
const H: f64 = 70.0;
/// Room for the bus of a parallel group on each side.
const BUS: f64 = 18.0;
const MARGIN: f64 = 70.0;
const HEAD: f64 = 44.0;

/// Width and height of a network in pixels.
#[must_use]
pub fn size(network: &Network) -> (f64, f64) {
    match network {
        Network::Driver(_) => (W, H),
        Network::Series(members) => {
            let sizes: Vec<_> = members.iter().map(size).collect();
            (sizes.iter().map(|s| s.0).sum(), sizes.iter().map(|s| s.1).fold(0.0, f64::max))
        }
        Network::Parallel(members) => {
            let sizes: Vec<_> = members.iter().map(size).collect();
            (sizes.iter().map(|s| s.0).fold(0.0, f64::max) + 2.0 * BUS, sizes.iter().map(|s| s.1).sum())
        }
    }
}

/// What is drawn: lines, junctions, drivers with their centre.
#[derive(Debug, Default)]
pub struct Layout {
    /// Wires, x1 y1 x2 y2; horizontal or vertical.
    pub wires: Vec<[f64; 4]>,
    /// Junctions.
    pub dots: Vec<[f64; 2]>,
    /// Drivers: centre, label, reversed.
    pub drivers: Vec<(f64, f64, DriverLabel, bool)>,
}

/// Lays a network out with its left end at (x, y); returns where its right end is.
fn lay(network: &Network, x: f64, y: f64, out: &mut Layout) -> f64 {
    let (width, height) = size(network);
    match network {
        Network::Driver(placed) => {
            out.wires.push([x, y, x + 35.0, y]);
            out.wires.push([x + W - 35.0, y, x + W, y]);
            out.drivers.push((x + W / 2.0, y, placed.label.clone(), placed.reversed));
        }
        Network::Series(members) => {
            let mut at = x;
            for member in members {
                at = lay(member, at, y, out);
            }
        }
        Network::Parallel(members) => {
            let (left, right) = (x + BUS, x + width - BUS);
            let mut top = y - height / 2.0;
            let mut rows = Vec::new();
            for member in members {
                let (w, h) = size(member);
                let row = top + h / 2.0;
                top += h;
                rows.push(row);
                let begin = left + (right - left - w) / 2.0;
                out.wires.push([left, row, begin, row]);
                let end = lay(member, begin, row, out);
                out.wires.push([end, row, right, row]);
                out.dots.push([left, row]);
                out.dots.push([right, row]);
            }
            let (first, last) = (rows[0].min(y), rows[rows.len() - 1].max(y));
            for bus in [left, right] {
                out.wires.push([bus, first, bus, last]);
                out.dots.push([bus, y]);
            }
            out.wires.push([x, y, left, y]);
            out.wires.push([right, y, x + width, y]);
        }
    }
    x + width
}

/// The layout of a network with its left end at the origin.
#[must_use]
pub fn layout(network: &Network) -> Layout {
    let mut out = Layout::default();
    lay(network, 0.0, 0.0, &mut out);
    out
}

fn driver(x: f64, y: f64, label: &DriverLabel, reversed: bool, ohm: Option<f64>) -> Markup {
    // IEC 60617 style: a rectangle with a horn opening away from it; shape from memory. A reversed one is drawn flipped and said to be.
    let (plus, minus) = if reversed { (x + 27.0, x - 27.0) } else { (x - 27.0, x + 27.0) };
    let value = ohm.map_or_else(String::new, |o| format!("{o} ohm"));
    html! {
        rect x=(x - 20.0) y=(y - 9.0) width="40" height="18" fill="none" {}
        @if reversed {
            path d=(format!("M{} {} l-12 12 h64 l-12 -12", x - 20.0, y + 9.0)) fill="none" {}
        } @else {
            path d=(format!("M{} {} l-12 -12 h64 l-12 12", x - 20.0, y - 9.0)) fill="none" {}
        }
        text x=(plus) y=(y - 4.0) text-anchor="middle" { "+" }
        text x=(minus) y=(y - 4.0) text-anchor="middle" { "\u{2212}" }
        text x=(x) y=(y + 4.5) text-anchor="middle" { (label.as_str()) }
        text x=(x) y=(if reversed { y - 14.0 } else { y + 23.0 }) text-anchor="middle" { (value) @if reversed { " reversed" } }
    }
}

/// Characters of a line below a drawing, and its height.
const LINE_CHARS: usize = 72;
const LINE: f64 = 16.0;

/// Breaks notes into lines; what continues a note is indented.
fn lines(notes: &[String]) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for note in notes {
        let mut line = String::new();
        for word in note.split_whitespace() {
            if !line.is_empty() && line.chars().count() + word.chars().count() >= LINE_CHARS {
                out.push(std::mem::replace(&mut line, "\u{a0}\u{a0}".to_owned()));
            }
            if !line.is_empty() && !line.ends_with('\u{a0}') {
                line.push(' ');
            }
            line.push_str(word);
        }
        out.push(line);
    }
    out
}

fn card(card: &Card, top: f64) -> (Markup, f64, f64) {
    let (_, height) = size(&card.network);
    let y = top + HEAD + height / 2.0;
    let mut out = Layout::default();
    let end = lay(&card.network, MARGIN, y, &mut out);
    let notes = lines(&card.notes);
    let below = top + HEAD + height + 8.0;
    let widest = notes.iter().map(|l| l.chars().count()).max().unwrap_or(0) as f64;
    let drawn = html! {
        g {
            text x="12" y=(top + 20.0) class="head" { (card.title) ": " (card.network.to_string()) }
            text x="12" y=(y - 8.0) { "tip +" }
            text x=(end + 8.0) y=(y - 8.0) { "sleeve" }
            text x="12" y=(y + 20.0) { (card.tap) }
            line x1="16" y1=(y) x2=(MARGIN) y2=(y) {}
            line x1=(end) y1=(y) x2=(end + 48.0) y2=(y) {}
            circle cx="12" cy=(y) r="4" fill="none" {}
            circle cx=(end + 52.0) cy=(y) r="4" fill="none" {}
            @for w in &out.wires { line x1=(w[0]) y1=(w[1]) x2=(w[2]) y2=(w[3]) {} }
            @for d in &out.dots { circle cx=(d[0]) cy=(d[1]) r="2.5" fill="currentColor" {} }
            @for (x, y, label, reversed) in &out.drivers {
                (driver(*x, *y, label, *reversed, card.ohms.iter().find(|o| &o.0 == label).map(|o| o.1)))
            }
            @for (k, line) in notes.iter().enumerate() {
                text x="12" y=(below + LINE * (k as f64 + 1.0)) { (line) }
            }
        }
    };
    // A sans-serif character of 12 px is 7.5 px wide at most on average.
    let width = (end + MARGIN).max(24.0 + 7.0 * widest);
    (drawn, width, below + LINE * notes.len() as f64 + 16.0)
}

/// All cards below each other, as one SVG that refers to nothing outside.
#[must_use]
pub fn draw(cards: &[Card]) -> String {
    let (mut drawn, mut width, mut top) = (Vec::new(), 320.0f64, 0.0);
    for one in cards {
        let (markup, right, bottom) = card(one, top);
        drawn.push(markup);
        width = width.max(right);
        top = bottom;
    }
    let described: Vec<String> = cards.iter().map(|c| format!("{}: {} on the {}", c.title, c.network, c.tap)).collect();
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {width} {top}")) width=(width) height=(top) role="img"
            color="#1d1a16" stroke="currentColor" stroke-width="1.5" font-family="sans-serif" font-size="12" {
            title { "Wiring" }
            desc { (described.join("; ")) }
            style { "text{fill:currentColor;stroke:none}.head{font-size:14px;font-weight:600}" }
            @for one in &drawn { (one) }
        }
    }
    .into_string()
}
