//! A drawing in the making: SVG whose every word was measured, so that nothing runs out of its place in any viewer.

use super::font::{self, FAMILY, Weight};
use super::theme::{Ink, Theme};
use std::fmt::Write;

/// How words look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Words {
    /// Size in pixels.
    pub size: f64,
    /// Regular or bold.
    pub weight: Weight,
    /// Colour.
    pub ink: Ink,
}

impl Words {
    /// Regular words.
    #[must_use]
    pub fn plain(size: f64, ink: Ink) -> Self {
        Self { size, weight: Weight::Regular, ink }
    }

    /// Bold words.
    #[must_use]
    pub fn bold(size: f64, ink: Ink) -> Self {
        Self { size, weight: Weight::Bold, ink }
    }

    /// Width of a line.
    #[must_use]
    pub fn width(&self, text: &str) -> f64 {
        font::width(text, self.size, self.weight)
    }

    /// Lines no wider than `room`.
    #[must_use]
    pub fn wrap(&self, text: &str, room: f64) -> Vec<String> {
        font::wrap(&font::drawable(text), self.size, self.weight, room)
    }
}

/// Which point of a line of words lies at the given place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hang {
    /// It begins there.
    Left,
    /// Its middle.
    Middle,
    /// It ends there.
    Right,
}

/// Distance from one line to the next, in parts of the size.
pub const LEADING: f64 = 1.3;

/// A drawing of a fixed size.
#[derive(Debug, Clone)]
pub struct Paper {
    /// Width in pixels.
    pub width: f64,
    /// Height in pixels.
    pub height: f64,
    /// Its colours.
    pub theme: Theme,
    body: String,
}

/// Short numbers: a hundredth of a pixel is enough.
fn n(v: f64) -> String {
    let text = format!("{v:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// Text as XML has it.
#[must_use]
pub fn escape(text: &str) -> String {
    text.chars()
        // What XML 1.0 forbids is left out.
        .filter(|c| matches!(c, '\t' | '\n' | '\r') || (*c >= ' ' && !matches!(c, '\u{fffe}' | '\u{ffff}')))
        .collect::<String>()
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

impl Paper {
    /// An empty sheet.
    #[must_use]
    pub fn new(size: (f64, f64), theme: Theme) -> Self {
        Self { width: size.0, height: size.1, theme, body: String::new() }
    }

    /// A sheet to measure on.
    #[must_use]
    pub fn scratch(&self) -> Self {
        Self::new((self.width, self.height), self.theme)
    }

    fn colour(&self, ink: Ink) -> &'static str {
        self.theme.colour(ink)
    }

    /// Anything that is SVG already.
    pub fn raw(&mut self, svg: &str) {
        self.body.push_str(svg);
    }

    /// One line of words on the base line `at`. Its width is written down, so that a viewer without the typeface keeps it.
    pub fn line_of_words(&mut self, at: (f64, f64), words: Words, hang: Hang, text: &str) {
        let text = font::drawable(text);
        let width = words.width(&text);
        let x = match hang {
            Hang::Left => at.0,
            Hang::Middle => at.0 - width / 2.0,
            Hang::Right => at.0 - width,
        };
        let weight = if words.weight == Weight::Bold { " font-weight=\"700\"" } else { "" };
        let fixed = if text.chars().count() > 1 {
            format!(" textLength=\"{}\" lengthAdjust=\"spacingAndGlyphs\"", n(width))
        } else {
            String::new()
        };
        // Writing to a String cannot fail.
        let _ = write!(
            self.body,
            "<text x=\"{}\" y=\"{}\" font-size=\"{}\"{weight} fill=\"{}\"{fixed}>{}</text>",
            n(x),
            n(at.1),
            n(words.size),
            self.colour(words.ink),
            escape(&text)
        );
    }

    /// Words broken into lines below `top`; the lower edge.
    pub fn paragraph(&mut self, at: (f64, f64), room: f64, words: Words, text: &str) -> f64 {
        let mut y = at.1;
        for line in words.wrap(text, room) {
            self.line_of_words((at.0, y + words.size), words, Hang::Left, &line);
            y += words.size * LEADING;
        }
        y
    }

    /// A filled rectangle.
    pub fn bar(&mut self, corner: (f64, f64), size: (f64, f64), ink: Ink) {
        let _ = write!(
            self.body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{}\"/>",
            n(corner.0),
            n(corner.1),
            n(size.0.max(0.0)),
            n(size.1.max(0.0)),
            self.colour(ink)
        );
    }

    /// An empty rectangle with round corners.
    pub fn frame(&mut self, corner: (f64, f64), size: (f64, f64), ink: Ink, width: f64) {
        let _ = write!(
            self.body,
            "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\"/>",
            n(corner.0),
            n(corner.1),
            n(size.0),
            n(size.1),
            n(size.1.min(size.0) * 0.12),
            self.colour(ink),
            n(width)
        );
    }

    /// A line.
    pub fn stroke(&mut self, from: (f64, f64), to: (f64, f64), ink: Ink, width: f64) {
        self.path(&format!("M{} {}L{} {}", n(from.0), n(from.1), n(to.0), n(to.1)), ink, width, None);
    }

    /// A dashed line.
    pub fn dashed(&mut self, from: (f64, f64), to: (f64, f64), ink: Ink, width: f64) {
        let dash = format!("{} {}", n(width * 3.0), n(width * 2.0));
        self.path(&format!("M{} {}L{} {}", n(from.0), n(from.1), n(to.0), n(to.1)), ink, width, Some(&dash));
    }

    /// An open path.
    pub fn path(&mut self, d: &str, ink: Ink, width: f64, dash: Option<&str>) {
        let dash = dash.map_or_else(String::new, |d| format!(" stroke-dasharray=\"{d}\""));
        let _ = write!(
            self.body,
            "<path d=\"{d}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"{dash}/>",
            self.colour(ink),
            n(width)
        );
    }

    /// A filled area.
    pub fn area(&mut self, points: &[(f64, f64)], ink: Ink) {
        let d: Vec<String> = points.iter().map(|(x, y)| format!("{} {}", n(*x), n(*y))).collect();
        let _ = write!(self.body, "<path d=\"M{}Z\" fill=\"{}\"/>", d.join("L"), self.colour(ink));
    }

    /// A line through points.
    pub fn trace(&mut self, points: &[(f64, f64)], ink: Ink, width: f64) {
        let d: Vec<String> = points.iter().map(|(x, y)| format!("{} {}", n(*x), n(*y))).collect();
        self.path(&format!("M{}", d.join("L")), ink, width, None);
    }

    /// A round mark: filled, or a ring. `class` says what it stands for.
    pub fn dot(&mut self, at: (f64, f64), radius: f64, ink: Ink, filled: bool, class: &str) {
        let (x, y, colour) = (n(at.0), n(at.1), self.colour(ink));
        let look = if filled {
            format!("fill=\"{colour}\"")
        } else {
            format!("fill=\"none\" stroke=\"{colour}\" stroke-width=\"{}\"", n(radius * 0.28))
        };
        let r = n(if filled { radius } else { radius * 0.86 });
        let _ = write!(self.body, "<circle class=\"{class}\" cx=\"{x}\" cy=\"{y}\" r=\"{r}\" {look}/>");
    }

    /// The whole drawing as a file.
    #[must_use]
    pub fn finish(&self, title: &str, description: &str) -> String {
        let (w, h) = (n(self.width), n(self.height));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" role=\"img\" \
             aria-labelledby=\"title desc\" font-family=\"{FAMILY}, Arial, Helvetica, sans-serif\"><title id=\"title\">{}</title>\
             <desc id=\"desc\">{}</desc><rect width=\"{w}\" height=\"{h}\" fill=\"{}\"/>{}</svg>\n",
            escape(title),
            escape(description),
            self.colour(Ink::Paper),
            self.body
        )
    }
}
