//! What is seen while a clip of a montage sounds: its name large, its wiring, its place among the others.

use super::network::{Place, draw};
use super::{Ground, MARGIN, Picture};
use crate::circuit::Network;
use crate::paint::font::{Weight, fitted};
use crate::paint::paper::{Hang, Paper, Words};
use crate::paint::theme::Ink;

/// One clip.
#[derive(Debug, Clone)]
pub struct Clip<'a> {
    /// What captions call it.
    pub label: &'a str,
    /// Its wiring; never of a numbered clip.
    pub network: Option<&'a Network>,
    /// A line below: load and tap, or what the audience is asked.
    pub below: &'a str,
    /// Its place, from 1, and how many there are.
    pub place: (usize, usize),
    /// At the foot.
    pub foot: &'a str,
}

/// The picture.
#[must_use]
pub fn clip(shown: &Clip<'_>, ground: Ground) -> Picture {
    let mut paper = Paper::new(ground.size.room(), ground.theme);
    let room = paper.width - 2.0 * MARGIN;
    let size = fitted(shown.label, Weight::Bold, room, 1, (130.0, 56.0));
    let y = paper.paragraph((MARGIN, MARGIN), room, Words::bold(size, Ink::Ink), shown.label);
    let below = fitted(shown.below, Weight::Regular, room, 2, (44.0, 28.0));
    let base = paper.height - MARGIN + 10.0;
    let y = paper.paragraph((MARGIN, y + 6.0), room, Words::plain(below, Ink::Soft), shown.below);
    let bar = base - 70.0;
    if let Some(network) = shown.network {
        draw(&mut paper, network, Place { at: (MARGIN, y + 20.0), size: (room, bar - y - 60.0) }, |_| None);
    }
    let (n, of) = shown.place;
    let step = room / of.max(1) as f64;
    for i in 0..of {
        let ink = if i < n { Ink::Accent } else { Ink::Wash };
        paper.bar((MARGIN + i as f64 * step + 3.0, bar), (step - 6.0, 14.0), ink);
    }
    let small = fitted(shown.foot, Weight::Regular, room * 0.8, 1, (24.0, 14.0));
    paper.line_of_words((MARGIN, base), Words::plain(small, Ink::Soft), Hang::Left, shown.foot);
    let count = format!("{n} of {of}");
    paper.line_of_words((MARGIN + room, base), Words::plain(28.0, Ink::Ink), Hang::Right, &count);
    let alt = format!("{}, {count}", shown.label);
    Picture { svg: paper.finish(shown.label, &alt), title: shown.label.to_owned(), alt }
}
