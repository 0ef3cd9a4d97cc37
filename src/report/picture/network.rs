//! A network as lines and signs on a picture, as large as its place allows.

use crate::circuit::Network;
use crate::paint::font::{Weight, fitted};
use crate::paint::paper::{Hang, Paper, Words};
use crate::paint::theme::Ink;
use crate::report::drawing::{layout, size};

/// A place for a drawing: left upper corner and size.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// Left upper corner.
    pub at: (f64, f64),
    /// Width and height.
    pub size: (f64, f64),
}

/// Room for the words at both ends, in units of the drawing.
const ENDS: f64 = 66.0;
/// A single driver is not drawn larger than this.
const LARGEST: f64 = 4.2;

/// The factor at which a network fits a place.
#[must_use]
pub fn factor(network: &Network, room: (f64, f64)) -> f64 {
    let (w, h) = size(network);
    (room.0 / (w + 2.0 * ENDS)).min(room.1 / h.max(70.0)).min(LARGEST)
}

/// A network in the middle of its place; `ohm` says a driver's rating in words.
pub fn draw(paper: &mut Paper, network: &Network, place: Place, ohm: impl Fn(&str) -> Option<String>) {
    let k = factor(network, place.size);
    let (w, _) = size(network);
    let origin = (place.at.0 + (place.size.0 - w * k) / 2.0, place.at.1 + place.size.1 / 2.0);
    let to = |x: f64, y: f64| (origin.0 + x * k, origin.1 + y * k);
    let line = (1.8 * k).clamp(2.0, 6.0);
    let drawn = layout(network);
    for [x1, y1, x2, y2] in &drawn.wires {
        paper.stroke(to(*x1, *y1), to(*x2, *y2), Ink::Ink, line);
    }
    for [x, y] in &drawn.dots {
        paper.dot(to(*x, *y), 3.2 * k, Ink::Ink, true, "joint");
    }
    for (end, side) in [(0.0, -1.0), (w, 1.0)] {
        let far = end + side * 30.0;
        paper.stroke(to(end, 0.0), to(far, 0.0), Ink::Ink, line);
        paper.dot(to(far + side * 5.0, 0.0), 5.0 * k, Ink::Ink, false, "plug");
    }
    let word = Words::plain(15.0 * k, Ink::Soft);
    for (x, text) in [(-36.0, "tip +"), (w + 36.0, "sleeve")] {
        paper.line_of_words(to(x, -13.0), word, Hang::Middle, text);
    }
    for (x, y, label, reversed) in &drawn.drivers {
        let at = (*x, *y);
        driver(paper, &to, k, at, *reversed);
        let name = label.as_str();
        let inside = fitted(name, Weight::Bold, 36.0 * k, 1, (16.0 * k, 12.0 * k));
        if Words::bold(inside, Ink::Ink).width(name) <= 36.0 * k {
            paper.line_of_words(to(at.0, at.1 + inside / k * 0.36), Words::bold(inside, Ink::Ink), Hang::Middle, name);
        } else {
            // A long name stands on the horn's side, where a whole cell's width is free.
            let size = fitted(name, Weight::Bold, 100.0 * k, 1, (14.0 * k, 6.0 * k));
            let y = if *reversed { at.1 + 24.0 + size / k * 0.75 } else { at.1 - 25.0 };
            paper.line_of_words(to(at.0, y), Words::bold(size, Ink::Ink), Hang::Middle, name);
        }
        if let Some(text) = ohm(name) {
            let text = if *reversed { format!("{text}, reversed") } else { text };
            let small = fitted(&text, Weight::Regular, 104.0 * k, 1, (14.0 * k, 6.0 * k));
            let y = if *reversed { at.1 - 15.0 } else { at.1 + 25.0 };
            paper.line_of_words(to(at.0, y), Words::plain(small, Ink::Soft), Hang::Middle, &text);
        }
    }
}

/// A rectangle with a horn opening away from it (the manner of IEC 60617, from memory); a reversed driver is flipped.
fn driver(paper: &mut Paper, to: &impl Fn(f64, f64) -> (f64, f64), k: f64, at: (f64, f64), reversed: bool) {
    let (x, y) = at;
    let up = if reversed { 1.0 } else { -1.0 };
    let points = [(-20.0, -10.0), (20.0, -10.0), (20.0, 10.0), (-20.0, 10.0), (-20.0, -10.0)];
    let line = (1.8 * k).clamp(2.0, 6.0);
    paper.trace(&points.map(|(dx, dy)| to(x + dx, y + dy)), Ink::Ink, line);
    let horn = [(-20.0, 10.0 * up), (-31.0, 21.0 * up), (31.0, 21.0 * up), (20.0, 10.0 * up)];
    paper.trace(&horn.map(|(dx, dy)| to(x + dx, y + dy)), Ink::Ink, line);
    let sign = Words::plain(13.0 * k, Ink::Ink);
    let (plus, minus) = if reversed { (27.0, -27.0) } else { (-27.0, 27.0) };
    // On the side away from the horn, where nothing else is.
    let beside = if reversed { -4.0 } else { 13.0 };
    paper.line_of_words(to(x + plus, y + beside), sign, Hang::Middle, "+");
    paper.line_of_words(to(x + minus, y + beside), sign, Hang::Middle, "\u{2212}");
}

/// `A and B in series`, `(A and B in series) parallel to C`.
#[must_use]
pub fn friendly(network: &Network) -> String {
    let inner = |member: &Network| match member {
        Network::Driver(_) => friendly(member),
        group => format!("({})", friendly(group)),
    };
    let joined = |members: &[Network]| {
        let all: Vec<String> = members.iter().map(inner).collect();
        match all.as_slice() {
            [most @ .., last] if !most.is_empty() => format!("{} and {last}", most.join(", ")),
            _ => all.concat(),
        }
    };
    match network {
        Network::Driver(placed) => format!("{}{}", placed.label, if placed.reversed { " reversed" } else { "" }),
        Network::Series(members) => format!("{} in series", joined(members)),
        Network::Parallel(members) => format!("{} in parallel", joined(members)),
    }
}
