//! Pictures that go into a video or onto a slide as they are: every word measured, nothing outside needed.
//!
//! * [`card`](mod@card): what a test showed, for somebody who sees nothing else; [`words`] says it, [`dots`] counts it
//! * [`framed`](mod@framed): a plot of the report with its title
//! * [`wiring`](mod@wiring): a setup, and setups beside each other; [`network`] draws them
//! * [`clip`](mod@clip): what is seen while a clip of a montage sounds
//! * [`reveal`](mod@reveal): the picks one after another against chance

pub mod card;
pub mod clip;
pub mod dots;
pub mod framed;
pub mod network;
pub mod reveal;
pub mod wiring;
pub mod words;

use crate::paint::theme::Theme;
use serde::Serialize;

/// Width and height that videos and posts have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Size {
    /// 1920 x 1080.
    Wide,
    /// 1080 x 1080.
    Square,
    /// 1080 x 1920.
    Tall,
}

impl Size {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Wide, Self::Square, Self::Tall];

    /// Width and height in pixels.
    #[must_use]
    pub fn pixels(self) -> (u32, u32) {
        match self {
            Self::Wide => (1920, 1080),
            Self::Square => (1080, 1080),
            Self::Tall => (1080, 1920),
        }
    }

    /// The same to calculate with.
    #[must_use]
    pub fn room(self) -> (f64, f64) {
        let (w, h) = self.pixels();
        (f64::from(w), f64::from(h))
    }

    /// `1920x1080`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Wide => "1920x1080",
            Self::Square => "1080x1080",
            Self::Tall => "1080x1920",
        }
    }
}

/// What a picture is drawn on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ground {
    /// Its size.
    pub size: Size,
    /// Its colours.
    pub theme: Theme,
}

/// A finished picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Its title.
    pub title: String,
    /// The same in words.
    pub alt: String,
    /// The SVG, a file of its own.
    pub svg: String,
}

/// Room to the edge of every picture.
pub(crate) const MARGIN: f64 = 72.0;

/// Tries scales from the largest down to the one at which `compose` needs no more than the room; it returns the lower edge.
pub(crate) fn scale(largest: f64, limit: f64, compose: impl Fn(f64) -> f64) -> f64 {
    let mut s = largest;
    while s > 0.3 && compose(s) > limit {
        s *= 0.97;
    }
    s
}
