use super::sample;
use crate::golden;
use cabjury::model::verdict::VerdictKind;
use cabjury::report::content::document;
use cabjury::report::markdown::markdown;
use cabjury::report::page::page;
use cabjury::report::view::Report;

/// One report per verdict of a test with a right answer, with counts that lead to it.
fn every_verdict() -> Vec<(VerdictKind, Report)> {
    type Case = (VerdictKind, &'static [(u64, u64)], &'static str);
    let cases: [Case; 9] = [
        (VerdictKind::DataVoid, &[(12, 16)], "No verdict: take t004 no longer has its recorded hash."),
        (VerdictKind::PlayerCue, &[(12, 16)], "No verdict: the player gave a cue."),
        (VerdictKind::RepeatFloor, &[(12, 16)], "No verdict: repeat takes were told apart as well as the setups."),
        (VerdictKind::Heard, &[(13, 16), (9, 16), (15, 16)], "Heard: 37 of 48 right (chance 24)."),
        (VerdictKind::HeardSmall, &[(540, 1000)], "Heard, but smaller than the smallest effect set beforehand."),
        (VerdictKind::Reversed, &[(2, 16)], "Significantly the wrong way round: check labels and instruction."),
        (VerdictKind::MixedPanel, &[(15, 16), (4, 16)], "No claim for the panel."),
        (VerdictKind::NotShownBounded, &[(50, 100)], "Not shown to be heard, and bounded."),
        (VerdictKind::TooFew, &[(9, 16)], "Too few trials to tell."),
    ];
    cases.into_iter().map(|(kind, counts, sentence)| (kind, sample::report(sample::test(kind, counts, sentence)))).collect()
}

#[test]
fn each_verdict_has_its_text() {
    for (kind, report) in every_verdict() {
        let mut report = report;
        if kind != VerdictKind::Heard {
            // The evidence around the verdict is the same: it stands in one golden file, not in nine.
            report.takes.clear();
            report.matching.clear();
            report.differences.clear();
            report.setups.clear();
            report.tests[0].score.as_mut().unwrap().picks.truncate(2);
        }
        golden::check(&format!("report/{}.md", kind.name()), &markdown(&document(&report).unwrap()));
    }
}

#[test]
fn no_report_claims_what_a_verdict_may_not() {
    // PRODUCT: never, of a verdict, these words. "of course they passed the listening" has no place in a report either.
    for (kind, report) in every_verdict() {
        let text = markdown(&document(&report).unwrap()).to_lowercase();
        for word in ["proved", "identical", "no difference", "% sure", "passed", " fail", "winner", "is safe", "are safe"] {
            assert!(!text.contains(word), "{kind}: {word:?}");
        }
    }
}

#[test]
fn the_two_questions_are_answered_by_the_page() {
    for (kind, report) in every_verdict() {
        let html = page(&document(&report).unwrap());
        assert!(html.contains("May I say that s16 sounds better than p4?"), "{kind}");
        assert!(html.contains("Could this test have missed a difference?"), "{kind}");
        // ABX never answers a question of taste.
        let answer = html.split("sounds better than p4?").nth(1).unwrap();
        assert!(answer.starts_with("</h2><p>No."), "{kind}: {}", &answer[..80]);
    }
}

/// Elements that HTML leaves without an end tag, of those that the page uses.
const EMPTY: [&str; 2] = ["meta", "br"];

/// Walks through the tags: every one that opens is closed in order.
fn well_formed(html: &str) {
    let mut open: Vec<String> = Vec::new();
    let style_end = html.find("</style>").unwrap();
    for piece in html[style_end..].split('<').skip(2) {
        let tag: String = piece.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '/').collect();
        let inside = piece.split('>').next().unwrap();
        assert_eq!(inside.matches('"').count() % 2, 0, "an attribute without its end: {inside}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name), "closed out of order before {:?}", &piece[..piece.len().min(60)]);
        } else if !inside.ends_with('/') && !EMPTY.contains(&tag.as_str()) {
            open.push(tag);
        }
    }
    // What was opened before the style: html and head are closed behind it.
    assert!(open.is_empty() || open == ["html"], "{open:?}");
}

#[test]
fn the_page_is_well_formed_and_asks_nobody_for_anything() {
    for (kind, report) in every_verdict() {
        let html = page(&document(&report).unwrap());
        let body = html.replacen("<head>", "", 1);
        let tail = &body[body.find("</head>").unwrap() + "</head>".len()..];
        let tail = format!("</style>{}", &tail[..tail.rfind("</html>").unwrap()]);
        well_formed(format!("{tail}<").replace("<<", "<").trim_end_matches('<'));
        for word in
            ["http", "<script", "<link", "<img", "<iframe", "@import", "url(", "javascript:", " onclick", " onload", "srcset"]
        {
            assert!(!html.contains(word), "{kind}: {word}");
        }
        let ids: Vec<&str> = html.split(" id=\"").skip(1).map(|p| p.split('"').next().unwrap()).collect();
        let mut once = ids.clone();
        once.sort_unstable();
        once.dedup();
        assert_eq!(ids.len(), once.len(), "{kind}: an id stands twice: {ids:?}");
        for target in html.split("href=\"#").skip(1).map(|p| p.split('"').next().unwrap()) {
            assert!(ids.contains(&target), "{kind}: #{target} leads nowhere");
        }
    }
}

#[test]
fn what_people_typed_cannot_become_markup() {
    let mut test = sample::test(VerdictKind::TooFew, &[(9, 16), (8, 16)], "<b>bold</b> & \"quoted\"");
    let score = test.score.as_mut().unwrap();
    score.result.listeners[0].flags = vec!["<script>alert(1)</script>".to_owned()];
    score.picks[0].remark = Some("</td><img src=x onerror=alert(1)>".to_owned());
    let mut report = sample::report(test);
    report.title = "</title><script>alert(2)</script>".to_owned();
    report.question = Some("5 < 6 && \"x\"".to_owned());
    report.takes[0].findings = vec!["<svg onload=alert(3)>".to_owned()];
    let html = page(&document(&report).unwrap());
    assert!(!html.contains("<script") && !html.contains("<img") && !html.contains("<svg onload"));
    assert!(html.contains("&lt;b&gt;bold"));
}

#[test]
fn a_report_without_tests_says_so() {
    let report = Report { title: "nothing yet".to_owned(), ..Report::default() };
    let html = page(&document(&report).unwrap());
    assert!(html.contains("No test has been sealed yet"));
}

#[test]
fn the_sum_by_hand_is_the_p_value() {
    // 12 of 16: (1820 + 560 + 120 + 16 + 1) / 65536, by Pascal's triangle; P = 2517/65536 = 0.0384.
    let test = sample::test(VerdictKind::Heard, &[(12, 16)], "Heard.");
    let p = test.score.as_ref().unwrap().result.count.p_value.unwrap();
    let text = markdown(&document(&sample::report(test)).unwrap());
    assert!(text.contains("p = [C(16,12) + C(16,13) + C(16,14) + C(16,15) + C(16,16)] / 2^16"));
    assert!(text.contains("= [1820 + 560 + 120 + 16 + 1] / 65536"));
    assert!(text.contains("= 2517 / 65536 = 0.038406"));
    assert!((p - 2517.0 / 65536.0).abs() < 1e-12);
    // Triangle, 2 of 3 by hand: (3 x 2 + 1) / 27.
    let mut test = sample::test(VerdictKind::TooFew, &[(2, 3)], "Too few.");
    test.method = cabjury::model::trial::Method::Triangle;
    let text = markdown(&document(&sample::report(test)).unwrap());
    assert!(text.contains("p = [C(3,2) x 2^1 + C(3,3)] / 3^3") && text.contains("= 7 / 27 = 0.259259"), "{text}");
}

#[test]
fn a_large_session_stays_small() {
    // 20 listeners with 50 trials each; the reports of a session are sent around by mail.
    let counts = vec![(33u64, 50u64); 20];
    let mut report = sample::report(sample::test(VerdictKind::Heard, &counts, "Heard."));
    let take = report.takes[0].clone();
    report.takes.extend((0..24).map(|i| cabjury::report::view::TakeView {
        take: format!("t{:03}", 50 + i),
        pass: 9 + i,
        ..take.clone()
    }));
    let html = page(&document(&report).unwrap());
    assert!(html.len() < 3_000_000, "{}", html.len());
    assert_eq!(html.matches("A s16 t003, B p4 t004, X p4 t008").count(), 1000, "every trial stands in the report");
}
