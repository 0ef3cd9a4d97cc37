//! Which language a browser asks for.

use crate::model::failure::Failure;
use crate::report::texts::{FILES, File};
use axum::http::{HeaderMap, Uri, header};

pub use crate::report::texts::Texts;

impl Texts {
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
