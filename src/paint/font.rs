//! The bundled typeface (its licence lies beside it): how wide words are, and where lines break. No system font is ever looked at.

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};
use std::collections::HashMap;
use std::sync::LazyLock;

/// The family's name inside the font files.
pub const FAMILY: &str = "Inter";
/// The files, taken in at compile time.
pub const FILES: [&[u8]; 2] = [include_bytes!("font/Inter-Regular.otf"), include_bytes!("font/Inter-Bold.otf")];

/// Regular or bold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// Running words.
    Regular,
    /// What is read first.
    Bold,
}

/// Advance of every character, in parts of the size.
type Advances = HashMap<char, f64>;

static ADVANCES: LazyLock<[Advances; 2]> = LazyLock::new(|| FILES.map(advances));

fn advances(file: &'static [u8]) -> Advances {
    // A font that cannot be read leaves the table empty: every character then counts as wide as an em, and the test of this file fails.
    let Ok(font) = FontRef::new(file) else { return Advances::new() };
    let metrics = font.glyph_metrics(Size::new(1000.0), LocationRef::default());
    let width = |glyph| metrics.advance_width(glyph).map(|w| f64::from(w) / 1000.0);
    font.charmap().mappings().filter_map(|(c, glyph)| Some((char::from_u32(c)?, width(glyph)?))).collect()
}

fn table(weight: Weight) -> &'static Advances {
    &ADVANCES[usize::from(weight == Weight::Bold)]
}

/// The typeface can draw it.
#[must_use]
pub fn has(c: char) -> bool {
    table(Weight::Regular).contains_key(&c)
}

/// Text with only what the typeface can draw: anything else becomes a white square.
#[must_use]
pub fn drawable(text: &str) -> String {
    text.chars()
        .map(|c| {
            if has(c) {
                c
            } else if c.is_whitespace() {
                ' '
            } else {
                '\u{25a1}'
            }
        })
        .collect()
}

/// Width of a line of text.
#[must_use]
pub fn width(text: &str, size: f64, weight: Weight) -> f64 {
    let table = table(weight);
    size * text.chars().map(|c| table.get(&c).copied().unwrap_or(1.0)).sum::<f64>()
}

/// Lines no wider than `room`; a word that is wider alone is broken.
#[must_use]
pub fn wrap(text: &str, size: f64, weight: Weight, room: f64) -> Vec<String> {
    let fits = |line: &str| width(line, size, weight) <= room;
    let (mut lines, mut line) = (Vec::new(), String::new());
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&longer) {
            line = longer;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if !fits(&line) && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::replace(&mut line, c.to_string()));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// The largest of `wanted`, down to `least` of it, at which the text needs no more than `lines` lines; `least` where none does.
#[must_use]
pub fn fitted(text: &str, weight: Weight, room: f64, lines: usize, sizes: (f64, f64)) -> f64 {
    let (wanted, least) = sizes;
    let mut size = wanted;
    while size > least && wrap(text, size, weight, room).len() > lines {
        size = (size * 0.95).max(least);
    }
    size
}
