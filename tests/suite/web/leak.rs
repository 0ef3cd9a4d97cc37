//! Walks all answers of a test before its end and looks for anything that could tell slots apart: names, hashes, lengths, headers, equal
//! bytes. The same looking is shown to find a leak that is put in.

use super::support::{Answer, House, house};
use std::collections::BTreeSet;

/// Everything that a listener (or a neighbour with their code) can get before the end.
async fn walk(h: &House, trials: usize) -> Vec<(String, Answer)> {
    let mut out = vec![];
    for path in
        [format!("/l/{}", h.code), h.at(""), "/assets/listen.js".to_owned(), "/assets/player.js".to_owned(), h.at("/noise")]
    {
        out.push((path.clone(), h.get(&path).await.is(200)));
    }
    for n in 0..trials {
        let opened = h.post(&h.at("/trials"), "").await.is(201);
        let trial = opened.json();
        out.push((format!("open {n}"), opened));
        for slot in trial["slots"].as_array().unwrap() {
            let path = slot["audio"].as_str().unwrap();
            out.push((format!("sound {n} {}", slot["label"]), h.get(path).await.is(200)));
            out.push((format!("sound {n} {} again", slot["label"]), h.get(path).await.is(200)));
        }
        out.push((format!("seat {n}"), h.get(&h.at("")).await.is(200)));
        let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
        out.push((format!("wrong {n}"), h.post(&pick, r#"{"choice":"Z"}"#).await.is(422)));
        out.push((format!("pick {n}"), h.post(&pick, r#"{"choice":"A"}"#).await.is(200)));
    }
    out
}

/// What of the session no answer may hold.
fn secrets(h: &House) -> Vec<String> {
    let db =
        rusqlite::Connection::open_with_flags(h.folder.join("s/session.db"), rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let all = |sql: &str| -> Vec<String> {
        let mut statement = db.prepare(sql).unwrap();
        let rows = statement.query_map([], |row| row.get::<_, String>(0)).unwrap();
        rows.map(Result::unwrap).collect()
    };
    let mut out = vec!["one".to_owned(), "two".to_owned(), "one-1".to_owned(), "s/takes".to_owned(), "clips/".to_owned()];
    out.extend(all("SELECT id FROM take"));
    out.extend(all("SELECT id FROM clip"));
    out.extend(all("SELECT sha256 FROM take"));
    out.extend(all("SELECT json_extract(record, '$.sha256') FROM clip"));
    out.extend(all("SELECT json_extract(record, '$.path') FROM clip"));
    out
}

/// Words of a text, so that "one" is not found in "done".
fn holds(text: &str, secret: &str) -> bool {
    let word = |c: char| c.is_alphanumeric() || c == '-';
    text.match_indices(secret).any(|(at, _)| {
        !text[..at].chars().next_back().is_some_and(word) && !text[at + secret.len()..].chars().next().is_some_and(word)
    })
}

/// All leaks that were found.
fn leaks(answers: &[(String, Answer)], secrets: &[String]) -> Vec<String> {
    let mut out = Vec::new();
    let (mut shapes, mut bodies) = (BTreeSet::new(), BTreeSet::new());
    for (what, answer) in answers {
        let headers: Vec<String> = answer
            .headers
            .iter()
            .filter(|(name, _)| *name != "date")
            .map(|(name, value)| format!("{name}: {}", value.to_str().unwrap()))
            .collect();
        for validator in ["etag", "last-modified", "accept-ranges", "content-disposition"] {
            if answer.headers.contains_key(validator) {
                out.push(format!("{what}: {validator}"));
            }
        }
        if answer.headers.get("cache-control").is_none_or(|v| v != "no-store") {
            out.push(format!("{what}: may be stored"));
        }
        if what.starts_with("sound") {
            shapes.insert((headers.clone(), answer.body.len(), answer.body[..44].to_vec()));
            if !bodies.insert(answer.body.clone()) {
                out.push(format!("{what}: the same bytes as another slot"));
            }
            continue;
        }
        // The page's own words ("one of the two") are no names: only what the session gave is looked for in JSON.
        let text = if what.contains("assets") || what.starts_with("/l/") { String::new() } else { answer.text() };
        let own = [
            "X is one of the two",
            "two different setups",
            "say which one X is",
            "is not one of the choices",
            "pick one of the choices",
        ];
        let plain = own.iter().fold(text, |t, words| t.replace(words, ""));
        for secret in secrets {
            if holds(&plain, secret) || headers.iter().any(|h| holds(h, secret)) {
                out.push(format!("{what}: {secret}"));
            }
        }
        for word in ["right", "wrong", "correct", "order", "nonce", "gain", "lufs"] {
            if holds(&plain, word) && !plain.contains("\"error\"") {
                out.push(format!("{what}: {word}"));
            }
        }
    }
    if shapes.len() != 1 {
        out.push(format!("{} shapes of sound answers", shapes.len()));
    }
    out
}

#[tokio::test]
async fn no_answer_before_the_end_tells_anything() {
    let h = house(8);
    let answers = walk(&h, 6).await;
    assert_eq!(answers.iter().filter(|a| a.0.starts_with("sound")).count(), 36);
    let found = leaks(&answers, &secrets(&h));
    assert!(found.is_empty(), "{found:#?}");
}

/// The looking itself: each kind of leak, put in by hand, is found.
#[tokio::test]
async fn a_leak_would_be_found() {
    let h = house(8);
    let secrets = secrets(&h);
    let clip = secrets.iter().find(|s| s.starts_with('c') && s.len() == 4).unwrap().clone();
    type Change = Box<dyn Fn(&mut Vec<(String, Answer)>)>;
    let changes: Vec<(&str, Change)> = vec![
        ("c0", Box::new(move |a| a.iter_mut().find(|x| x.0 == "open 0").unwrap().1.body.extend(format!(" \"{clip}\"").bytes()))),
        (
            "again: the same bytes",
            Box::new(|a| {
                let at = a.iter().position(|x| x.0.contains("sound 0 \"A\" again")).unwrap();
                a[at].1.body = a[at - 1].1.body.clone();
            }),
        ),
        ("2 shapes", Box::new(|a| a.iter_mut().find(|x| x.0.starts_with("sound 0")).unwrap().1.body.push(0))),
        (
            "etag",
            Box::new(|a| {
                drop(a.iter_mut().find(|x| x.0.starts_with("sound 1")).unwrap().1.headers.insert("etag", "1".parse().unwrap()));
            }),
        ),
        ("may be stored", Box::new(|a| drop(a[1].1.headers.remove("cache-control")))),
        ("correct", Box::new(|a| a.iter_mut().find(|x| x.0 == "pick 0").unwrap().1.body.extend(b" \"correct\": true"))),
    ];
    let mut answers = walk(&h, 2).await;
    assert!(leaks(&answers, &secrets).is_empty());
    for (said, change) in changes {
        let kept: Vec<(String, axum::http::HeaderMap, Vec<u8>)> =
            answers.iter().map(|(w, a)| (w.clone(), a.headers.clone(), a.body.clone())).collect();
        change(&mut answers);
        let found = leaks(&answers, &secrets);
        assert!(found.iter().any(|f| f.contains(said)), "{said} was not found: {found:?}");
        for ((_, answer), (_, headers, body)) in answers.iter_mut().zip(kept) {
            (answer.headers, answer.body) = (headers, body);
        }
    }
}

/// Slots of one clip differ by their fresh dither alone: half a step of rms noise against the file, whatever the slot.
#[tokio::test]
async fn fresh_dither_is_all_that_differs() {
    let h = house(4);
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    let path = trial["slots"][0]["audio"].as_str().unwrap();
    let read = |bytes: Vec<u8>| -> Vec<i32> {
        hound::WavReader::new(std::io::Cursor::new(bytes)).unwrap().samples::<i32>().map(Result::unwrap).collect()
    };
    let (a, b) = (read(h.get(path).await.is(200).body), read(h.get(path).await.is(200).body));
    assert_eq!(a.len(), b.len());
    let power = a.iter().zip(&b).map(|(x, y)| f64::from(x - y).powi(2)).sum::<f64>() / a.len() as f64;
    // Two independent roundings with triangular dither on samples that lie on the grid: 2 x variance of round(u1 + u2 - 1), which is 1/4.
    assert!((power - 0.5).abs() < 0.02, "{power}");
    assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() <= 2));
}
