//! How setup, mic and pass are read from a file's name.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::Rig;

/// A piece of a pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Text(String),
    Setup,
    Mic,
    Take,
    Pass,
    Any,
}

/// How setup, mic and pass are read from a file's name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    parts: Vec<Part>,
}

impl std::fmt::Display for Pattern {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.text)
    }
}

/// What a name says, as it stands there.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Said {
    pub(super) setup: Option<String>,
    pub(super) mic: Option<String>,
    pub(super) take: Option<u32>,
    pub(super) pass: Option<u32>,
}

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// A word in braces that is none of the five, or one that is there twice.
    pub fn new(text: &str) -> Result<Self, Failure> {
        let wrong = |message: String| {
            Failure::plain(
                "pattern",
                Fate::WrongUse,
                message,
                "the words are {setup}, {mic}, {take}, {pass} and {*} for what does not matter, as in --pattern \"{setup}_{mic}_{take}.wav\"",
            )
        };
        let mut parts: Vec<Part> = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find('{') {
            if open > 0 {
                parts.push(Part::Text(rest[..open].to_owned()));
            }
            let Some(len) = rest[open..].find('}') else { return Err(wrong(format!("{text:?} has a {{ without a }}"))) };
            let part = match &rest[open + 1..open + len] {
                "setup" => Part::Setup,
                "mic" => Part::Mic,
                "take" => Part::Take,
                "pass" => Part::Pass,
                "*" => Part::Any,
                other => return Err(wrong(format!("{text:?} has {{{other}}}, which is no word of a pattern"))),
            };
            if part != Part::Any && parts.contains(&part) {
                return Err(wrong(format!("{text:?} has one word twice")));
            }
            parts.push(part);
            rest = &rest[open + len + 1..];
        }
        if !rest.is_empty() {
            parts.push(Part::Text(rest.to_owned()));
        }
        Ok(Self { text: text.to_owned(), parts })
    }

    /// What a name says: with names that the session knows, else with any.
    pub(super) fn read(&self, name: &str, rig: &Rig) -> Option<Said> {
        let said = |strict| fit(&self.parts, name, rig, strict, Said::default());
        said(true).or_else(|| said(false))
    }
}

/// Does the rest of a name fit the rest of a pattern?
fn fit(parts: &[Part], rest: &str, rig: &Rig, strict: bool, said: Said) -> Option<Said> {
    let Some((part, parts)) = parts.split_first() else { return rest.is_empty().then_some(said) };
    let known = |known: Vec<&str>, put: &dyn Fn(String) -> Said| -> Option<Said> {
        let mut known: Vec<&str> =
            known.into_iter().filter(|k| rest.get(..k.len()).is_some_and(|r| r.eq_ignore_ascii_case(k))).collect();
        known.sort_by_key(|k| std::cmp::Reverse(k.len()));
        known.into_iter().find_map(|k| fit(parts, &rest[k.len()..], rig, strict, put(k.to_owned())))
    };
    // The shortest piece for which the rest fits.
    let any = |put: &dyn Fn(&str) -> Option<Said>| -> Option<Said> {
        let ends = rest.char_indices().map(|(i, c)| i + c.len_utf8());
        ends.into_iter().find_map(|end| fit(parts, &rest[end..], rig, strict, put(&rest[..end])?))
    };
    match part {
        Part::Text(text) => rest.strip_prefix(text.as_str()).and_then(|rest| fit(parts, rest, rig, strict, said)),
        Part::Setup if strict => {
            known(rig.setups.iter().map(|s| s.name.as_str()).collect(), &|s| Said { setup: Some(s), ..said.clone() })
        }
        Part::Mic if strict && !rig.mics.is_empty() => {
            known(rig.mics.iter().map(|m| m.name.as_str()).collect(), &|m| Said { mic: Some(m), ..said.clone() })
        }
        Part::Setup => any(&|s| Some(Said { setup: Some(s.to_owned()), ..said.clone() })),
        Part::Mic => any(&|m| Some(Said { mic: Some(m.to_owned()), ..said.clone() })),
        Part::Take | Part::Pass => {
            let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
            let number = rest[..digits].parse().ok()?;
            let said =
                if *part == Part::Take { Said { take: Some(number), ..said } } else { Said { pass: Some(number), ..said } };
            fit(parts, &rest[digits..], rig, strict, said)
        }
        Part::Any => fit(parts, rest, rig, strict, said.clone()).or_else(|| any(&|_| Some(said.clone()))),
    }
}
