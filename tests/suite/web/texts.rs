//! The languages of the listening page and the audience's: none misses a key, and a browser gets the one that it asks for.

use super::support::{House, host, house};
use axum::body::Body;
use axum::http::{HeaderMap, HeaderValue, Request, Uri, header};
use cabjury::web::texts::Texts;
use std::collections::{BTreeMap, BTreeSet};

/// The words in braces, for which values are put in.
fn places(text: &str) -> BTreeSet<&str> {
    text.match_indices('{').filter_map(|(at, _)| text[at..].find('}').map(|end| &text[at..=at + end])).collect()
}

/// Every key that the page or a script names in quotes.
fn named() -> BTreeSet<String> {
    let sources = [
        include_str!("../../../src/web/pages/listen.rs"),
        include_str!("../../../src/web/files/listen.js"),
        include_str!("../../../src/web/files/rows.js"),
        include_str!("../../../src/web/files/piece.js"),
        include_str!("../../../src/web/files/receipt.js"),
        include_str!("../../../src/web/files/desk-side.js"),
        include_str!("../../../src/report/audience.rs"),
        include_str!("../../../src/report/files/audience.js"),
    ];
    let mut out = BTreeSet::new();
    for source in sources {
        for (i, text) in source.split('"').enumerate() {
            let key = text.chars().all(|c| c.is_ascii_lowercase() || matches!(c, '.' | '-'));
            if i % 2 == 1
                && key
                && text.contains('.')
                && !text.ends_with(".js")
                && !text.ends_with(".css")
                && !text.ends_with(".png")
                && !text.starts_with('.')
                && !text.ends_with('.')
            {
                out.insert(text.to_owned());
            }
        }
    }
    out
}

#[test]
fn no_language_misses_a_key_or_a_value() {
    let all = Texts::all().unwrap();
    assert_eq!(all.iter().map(|t| t.language).collect::<Vec<_>>(), ["en", "de", "fr", "es", "ja"]);
    let english: BTreeMap<&str, &str> = all[0].words().collect();
    for texts in &all {
        let words: BTreeMap<&str, &str> = texts.words().collect();
        assert_eq!(words.keys().collect::<Vec<_>>(), english.keys().collect::<Vec<_>>(), "{}", texts.language);
        for (key, text) in &words {
            assert!(!text.trim().is_empty(), "{} {key}", texts.language);
            assert_eq!(places(text), places(english[key]), "{} {key}", texts.language);
        }
    }
    let wanted = named();
    assert!(wanted.len() > 60, "only {} keys were found in the sources", wanted.len());
    for key in wanted {
        // A name of several lines is the beginning of their keys.
        let first = format!("{key}.1");
        assert!(english.contains_key(key.as_str()) || english.contains_key(first.as_str()), "{key} is named and not written");
    }
}

#[test]
fn a_file_that_holds_no_texts_is_said() {
    for source in ["", "[]", "{\"a\": 1}", "{\"a\": \"b\""] {
        let error = Texts::read("xx", source).unwrap_err();
        assert_eq!(error.explain().kind(), "texts", "{source}");
        assert!(error.to_string().contains("xx"), "{error}");
    }
}

/// What is left in English in another language is left on purpose: a word that both languages have.
#[test]
fn other_languages_are_not_english() {
    let all = Texts::all().unwrap();
    let english: BTreeMap<&str, &str> = all[0].words().collect();
    for texts in &all[1..] {
        let shared = |key: &str| (texts.language, key) == ("fr", "trial.silence");
        let same: Vec<&str> =
            texts.words().filter(|(key, text)| english[key] == *text && !shared(key)).map(|(key, _)| key).collect();
        assert_eq!(same, Vec::<&str>::new(), "{}", texts.language);
    }
}

/// RFC 9110, 12.5.4: weights from 0 to 1, without one it is 1, zero is "not acceptable"; RFC 4647, 3.4: a range of a region is looked up by
/// its language.
#[test]
fn a_browser_gets_the_language_that_it_asks_for() {
    let asked = |uri: &str, accept: &str| {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT_LANGUAGE, HeaderValue::from_str(accept).unwrap());
        Texts::asked(&uri.parse::<Uri>().unwrap(), &headers).unwrap().language
    };
    for (uri, accept, language) in [
        ("/l/x", "de-CH, de;q=0.9, en;q=0.8", "de"),
        ("/l/x", "it, fr-CA;q=0.4, en;q=0.2", "fr"),
        ("/l/x", "en;q=0.2, ja;q=0.9", "ja"),
        ("/l/x", "es;q=0, de;q=0.1", "de"),
        ("/l/x", "it", "en"),
        ("/l/x", "*", "en"),
        ("/l/x", "de;q=nonsense", "en"),
        ("/l/x?lang=es", "de", "es"),
        ("/l/x?a=b&lang=JA", "de", "ja"),
        ("/l/x?lang=xx", "de", "de"),
    ] {
        assert_eq!(asked(uri, accept), language, "{uri} {accept}");
    }
}

async fn page_in(h: &House, accept: &str) -> String {
    let request = Request::get(format!("/l/{}", h.code)).header("host", host()).header("accept-language", accept);
    h.send(request.body(Body::empty()).unwrap()).await.is(200).text()
}

#[tokio::test]
async fn the_page_is_in_that_language_with_all_its_words() {
    let h = house(4);
    for texts in Texts::all().unwrap() {
        let page = page_in(&h, texts.language).await;
        assert!(page.contains(&format!("<html lang=\"{}\">", texts.language)), "{page}");
        for key in ["begin.title", "question.abx", "trial.send", "done.title", "receipt.title"] {
            assert!(page.contains(texts.get(key)), "{} {key}", texts.language);
        }
        // A key that is not known would stand there as itself.
        let body = page.split("</script>").skip(1).collect::<String>();
        for (key, _) in texts.words() {
            assert!(!body.contains(&format!(">{key}<")), "{} {key}", texts.language);
        }
    }
}
