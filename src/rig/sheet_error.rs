//! What is wrong with a rig sheet, and where.

use crate::model::explain::{Explain, Fate};
use std::path::{Path, PathBuf};

/// A sheet that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}line {line}, column {column}: {message}", path.as_ref().map_or_else(String::new, |p| format!("{}, ", p.display())))]
pub struct SheetError {
    /// The sheet's file, if it came from one.
    pub path: Option<PathBuf>,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong there.
    pub message: String,
    /// What to do.
    pub remedy: String,
}

impl Explain for SheetError {
    fn kind(&self) -> &'static str {
        "faulty-sheet"
    }
    fn next(&self) -> String {
        self.remedy.clone()
    }
    fn fate(&self) -> Fate {
        Fate::Unfit
    }
    fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }
    fn column(&self) -> Option<usize> {
        Some(self.column)
    }
}

/// The value of a line `key = 8,2`, if it is one: a comma that TOML takes for something else.
fn decimal_comma(line: &str) -> Option<&str> {
    let value = line.split_once('=')?.1.split('#').next()?.trim();
    let (whole, part) = value.split_once(',')?;
    let digits = |t: &str| !t.is_empty() && t.chars().all(|c| c.is_ascii_digit());
    (digits(whole) && digits(part)).then_some(value)
}

/// Line and column, from 1, of a byte in a text.
fn position(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at.min(text.len())).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().map_or(0, |l| l.chars().count()) + 1;
    (line, column)
}

/// The backquoted words of a message: the first is what was given, the rest are the known keys.
fn quoted(message: &str) -> Vec<&str> {
    message.split('`').skip(1).step_by(2).collect()
}

pub(super) fn from_toml(text: &str, error: &toml::de::Error) -> SheetError {
    let (line, column) = position(text, error.span().map_or(0, |s| s.start));
    // The library speaks of the types of its own language; a musician wrote a number.
    let message =
        error.message().replace("f64", "a number").replace("u32", "a whole number").replace("a boolean", "true or false");
    let words = quoted(&message);
    let near = words.split_first().and_then(|(given, known)| {
        known.iter().map(|k| (strsim::osa_distance(given, k), *k)).min().filter(|(d, _)| *d <= 3).map(|(_, k)| k.to_owned())
    });
    let comma = decimal_comma(text.lines().nth(line - 1).unwrap_or_default());
    if let Some(number) = comma {
        let message = format!("{number} has a decimal comma, which a sheet does not know");
        return SheetError { path: None, line, column, message, remedy: format!("write {}", number.replace(',', ".")) };
    }
    let remedy = match (message.starts_with("unknown field") || message.starts_with("unknown variant"), near) {
        (true, Some(key)) => format!("did you mean {key:?}?"),
        (true, None) => "take the key out, or look at the example sheet".to_owned(),
        (false, _) => "correct the line; sessions/demo-rig.toml is an example".to_owned(),
    };
    SheetError { path: None, line, column, message, remedy }
}

/// The line of a member's name in the sheet, for errors that TOML itself cannot see.
fn place_of(text: &str, needle: &str) -> (usize, usize) {
    text.find(&format!("\"{needle}\"")).map_or((1, 1), |at| position(text, at + 1))
}

pub(super) fn fault(text: &str, needle: &str, message: String, remedy: &str) -> SheetError {
    let (line, column) = place_of(text, needle);
    SheetError { path: None, line, column, message, remedy: remedy.to_owned() }
}
