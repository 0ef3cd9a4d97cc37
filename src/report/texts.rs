//! The words of the pages that listeners and visitors see, one file per language.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use std::collections::BTreeMap;

/// A language's code (BCP 47), its own name, its file.
pub type File = (&'static str, &'static str, &'static str);

/// The first one is that of a browser which asks for none of them.
pub const FILES: [File; 5] = [
    ("en", "English", include_str!("../web/texts/en.json")),
    ("de", "Deutsch", include_str!("../web/texts/de.json")),
    ("fr", "Fran\u{e7}ais", include_str!("../web/texts/fr.json")),
    ("es", "Espa\u{f1}ol", include_str!("../web/texts/es.json")),
    ("ja", "\u{65e5}\u{672c}\u{8a9e}", include_str!("../web/texts/ja.json")),
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
    pub fn for_script(&self) -> String {
        self.source.replace('<', "\\u003c")
    }
}
