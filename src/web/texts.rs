//! The listening page's words, one file per language, and which of them a browser asks for.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use axum::http::{HeaderMap, Uri, header};
use std::collections::BTreeMap;

/// A language's code, its own name, its file.
type File = (&'static str, &'static str, &'static str);

/// The first one is that of a browser which asks for none of them.
const FILES: [File; 5] = [
    ("en", "English", include_str!("texts/en.json")),
    ("de", "Deutsch", include_str!("texts/de.json")),
    ("fr", "Fran\u{e7}ais", include_str!("texts/fr.json")),
    ("es", "Espa\u{f1}ol", include_str!("texts/es.json")),
    ("ja", "\u{65e5}\u{672c}\u{8a9e}", include_str!("texts/ja.json")),
];

/// The words of one language.
#[derive(Debug, Clone)]
pub struct Texts {
    /// The language's code (BCP 47).
    pub language: &'static str,
    words: BTreeMap<String, String>,
    source: &'static str,
}

impl Texts {
    /// The words of a file.
    ///
    /// # Errors
    /// It is not one JSON object of texts.
    pub fn read(language: &'static str, source: &'static str) -> Result<Self, Failure> {
        let words = serde_json::from_str(source).map_err(|e| {
            Failure::plain(
                "texts",
                Fate::Failed,
                format!("the texts of {language} cannot be read: {e}"),
                "report it to the project",
            )
        })?;
        Ok(Self { language, words, source })
    }

    /// All languages.
    ///
    /// # Errors
    /// A file cannot be read.
    pub fn all() -> Result<Vec<Self>, Failure> {
        FILES.into_iter().map(|(language, _, source)| Self::read(language, source)).collect()
    }

    /// The language that a request asks for: by `?lang=`, else by `Accept-Language` (RFC 9110, 12.5.4).
    ///
    /// # Errors
    /// A file cannot be read.
    pub fn asked(uri: &Uri, headers: &HeaderMap) -> Result<Self, Failure> {
        let query = uri.query().unwrap_or_default();
        let wished = query.split('&').find_map(|p| p.strip_prefix("lang=")).and_then(file);
        let accepted = || preferred(headers.get(header::ACCEPT_LANGUAGE).and_then(|v| v.to_str().ok()).unwrap_or_default());
        let (language, _, source) = wished.or_else(accepted).unwrap_or(FILES[0]);
        Self::read(language, source)
    }

    /// A text; what is missing shows as its key (a test sees to it that none is).
    #[must_use]
    pub fn get<'a>(&'a self, key: &'a str) -> &'a str {
        self.words.get(key).map_or(key, String::as_str)
    }

    /// A text with one value put in.
    #[must_use]
    pub fn with(&self, key: &str, name: &str, value: &str) -> String {
        self.get(key).replace(&format!("{{{name}}}"), value)
    }

    /// All keys with their texts.
    pub fn words(&self) -> impl Iterator<Item = (&str, &str)> {
        self.words.iter().map(|(k, v)| (k.as_str(), v.as_str()))
    }

    /// The texts under `PREFIX.1`, `PREFIX.2` and so on.
    #[must_use]
    pub fn lines(&self, prefix: &str) -> Vec<&str> {
        (1..).map_while(|i| self.words.get(&format!("{prefix}.{i}")).map(String::as_str)).collect()
    }

    /// The file for a script of the page, where no tag may end it.
    #[must_use]
    pub(super) fn for_script(&self) -> String {
        self.source.replace('<', "\\u003c")
    }
}

/// Codes and names of all languages.
pub(super) fn languages() -> impl Iterator<Item = (&'static str, &'static str)> {
    FILES.iter().map(|(code, name, _)| (*code, *name))
}

/// The file of a language, whatever the region.
fn file(tag: &str) -> Option<File> {
    let main = tag.trim().split(['-', '_']).next().unwrap_or_default();
    FILES.into_iter().find(|f| f.0.eq_ignore_ascii_case(main))
}

/// The best one of a list with weights; of equal weights the first.
fn preferred(list: &str) -> Option<File> {
    let mut best: Option<(f64, File)> = None;
    for range in list.split(',') {
        let mut parts = range.split(';');
        let Some(found) = parts.next().and_then(file) else { continue };
        let weight = parts.find_map(|p| p.trim().strip_prefix("q=")).map_or(1.0, |q| q.trim().parse().unwrap_or(0.0));
        if weight > 0.0 && best.as_ref().is_none_or(|(w, _)| weight > *w) {
            best = Some((weight, found));
        }
    }
    best.map(|(_, file)| file)
}
