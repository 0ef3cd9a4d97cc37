//! The audience's page from the command line: what it holds, and whom `votes --audience` takes for whom.

use crate::program::Desk;
use crate::trial_support::{matched_session, played_session};
use cabjury::publish::visits::visitor_code;
use cabjury::report::audience::{Choice, Data, SendTo};
use serde_json::Value;

/// What the page's script reads.
fn data(desk: &Desk, page: &str) -> Value {
    let html = std::fs::read_to_string(desk.join(page).join("index.html")).unwrap();
    let (_, after) = html.split_once("<script id=\"data\" type=\"application/json\">").unwrap();
    serde_json::from_str(after.split_once("</script>").unwrap().0).unwrap()
}

/// A visitor's line as the page writes it.
fn line(visitor: &str, run: u32, pair: &str, digits: &str, name: &str) -> String {
    let text = format!("cabjury1:{visitor}:{run}:{pair}:{digits}:{name}");
    format!("{text}:{}", visitor_code(&text))
}

/// FNV-1a, 32 bits: values of the reference sources that came with its description (draft-eastlake-fnv, appendix C).
#[test]
fn the_code_is_fnv_1a() {
    assert_eq!(visitor_code(""), "811c9dc5");
    assert_eq!(visitor_code("a"), "e40c292c");
    assert_eq!(visitor_code("foobar"), "bf9cf968");
}

/// Right ones needed at 0.05: a handbook's table of the triangle's sister test with chance 1/2 (ISO 10399, table A.1 for n = 6, 10, 16; from
/// memory: 6, 9, 12). Shares: the binomial's own sums by hand for 6, where only 6 of 6 counts: 0.75^6.
#[test]
fn what_a_number_of_trials_can_show_comes_from_the_exact_test() {
    for (trials, needed) in [(6, 6), (10, 9), (16, 12)] {
        let choice = Choice::of(trials);
        assert_eq!(choice.needed, Some(needed));
        assert_eq!(choice.tails.len() as u32, trials + 1);
        assert!((choice.all - 1.0).abs() < 1e-12);
    }
    let six = Choice::of(6);
    assert!((six.half - 0.75f64.powi(6)).abs() < 1e-12, "{six:?}");
    assert!((six.tails[6] - 1.0 / 64.0).abs() < 1e-15 && (six.tails[5] - 7.0 / 64.0).abs() < 1e-15);
}

#[test]
fn letters_are_no_drivers_names() {
    assert_eq!(Data::letters(&["mild", "dark"]), ["A", "B", "X"]);
    assert_eq!(Data::letters(&["a", "B"]), ["1", "2", "X"]);
    assert_eq!(Data::letters(&["A", "B", "1", "X"]), ["P", "Q", "Y"]);
}

#[test]
fn answers_go_to_a_mail_or_a_page_and_to_nothing_else() {
    assert_eq!("a.b+c@example.org".parse(), Ok(SendTo::Mail("a.b+c@example.org".to_owned())));
    assert_eq!("https://example.org/f?x=1".parse(), Ok(SendTo::Page("https://example.org/f?x=1".to_owned())));
    for bad in
        ["example.org", "javascript:alert(1)", "http://example.org", "a@b@c", "a b@example.org", "@", "https://", "a@b?cc=c@d"]
    {
        assert!(bad.parse::<SendTo>().is_err(), "{bad}");
    }
}

#[test]
fn the_page_holds_its_setups_and_says_its_size() {
    let desk = Desk::new();
    matched_session(&desk);
    let doc = desk.run(&["report", "s", "--audience", "w", "--json"]).ends(0).json();
    assert_eq!(doc["choices"], serde_json::json!([6, 10, 16]));
    let of = data(&desk, "w");
    let whole: u64 =
        doc["files"].as_array().unwrap().iter().map(|f| std::fs::metadata(desk.join(f.as_str().unwrap())).unwrap().len()).sum();
    assert_eq!(doc["bytes"].as_u64(), Some(whole));
    for clip in of["clips"].as_array().unwrap().iter().flat_map(|c| c.as_array().unwrap()) {
        let file = std::fs::metadata(desk.join("w").join(clip["url"].as_str().unwrap())).unwrap();
        assert_eq!(clip["bytes"].as_u64(), Some(file.len()));
    }
    // One file and no other; FLAC is smaller; shortened clips are of the length that was asked for.
    let flac = desk.run(&["report", "s", "--audience", "f", "--flac", "--seconds", "2", "--json"]).ends(0).json();
    assert_eq!((flac["seconds"].as_f64(), flac["sound"].as_str()), (Some(2.0), Some("flac")));
    assert!(flac["bytes"].as_u64() < doc["bytes"].as_u64());
    let decoded = claxon::FlacReader::open(desk.join("f/clip-1.flac")).unwrap();
    assert_eq!(decoded.streaminfo().samples, Some(2 * u64::from(decoded.streaminfo().sample_rate)));
    let one = desk.run(&["report", "s", "--audience", "o", "--one-file", "--json"]).ends(0).json();
    assert_eq!(one["files"].as_array().unwrap().len(), 1);
    assert!(data(&desk, "o")["clips"][0][0]["url"].as_str().unwrap().starts_with("data:audio/wav;base64,"));
}

#[test]
fn what_cannot_be_asked_for_is_said() {
    let desk = Desk::new();
    matched_session(&desk);
    for (more, code, kind) in [
        (["--pair", "one,nobody"].as_slice(), 2, "no-pair"),
        (&["--pair", "one,one"], 2, "no-pair"),
        (&["--pair", "one"], 2, "no-pair"),
        (&["--seconds", "0.5"], 2, "seconds"),
        (&["--seconds", "3600"], 2, "seconds"),
    ] {
        let all = [&["report", "s", "--audience", "w", "--json"], more].concat();
        assert_eq!(desk.run(&all).ends(code).json()["error"]["kind"], kind, "{more:?}");
        assert!(!desk.join("w").exists());
    }
    desk.run(&["report", "s", "--flac"]).ends(2);
    desk.run(&["report", "s", "--audience", "w", "--send-to", "nowhere"]).ends(2);
}

#[test]
fn two_visitors_without_a_name_are_two_and_one_who_comes_twice_is_one() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let text = [
        line("00000001", 1, "one/two", "000333", ""),
        line("00000002", 1, "one/two", "000333", ""),
        line("00000002", 2, "one/two", "012301", "zo\u{eb}"),
        line("00000003", 1, "one/three", "11", ""),
    ]
    .join("\n");
    std::fs::write(desk.join("v.txt"), &text).unwrap();
    let dry = desk.run(&["votes", "s", "v.txt", "--audience", "--dry-run", "--json"]).ends(0).json();
    assert_eq!((dry["people"].as_u64(), dry["answers"].as_u64()), (Some(3), Some(20)));
    let doc = desk.run(&["votes", "s", "v.txt", "--audience", "--json"]).ends(0).json();
    assert_eq!((doc["people"].as_u64(), doc["visits"].as_u64(), doc["later_visits"].as_u64()), (Some(3), Some(4), Some(1)));
    assert_eq!((doc["answers"].as_u64(), doc["correct"].as_u64()), (Some(20), Some(15)));
    let pairs = doc["pairs"].as_array().unwrap();
    assert_eq!(pairs.len(), 2);
    assert_eq!((pairs[1]["setups"].as_str(), pairs[1]["correct"].as_u64()), (Some("one against two"), Some(15)));
    // 15 of 18 by guessing: (816 + 153 + 18 + 1) / 2^18, by Pascal's triangle.
    assert!((pairs[1]["p_value"].as_f64().unwrap() - 988.0 / 262_144.0).abs() < 1e-12, "{doc}");
    assert!((pairs[1]["p_family"].as_f64().unwrap() - 2.0 * 988.0 / 262_144.0).abs() < 1e-12, "{doc}");
    let sentence = doc["sentence"].as_str().unwrap();
    assert!(sentence.contains("1 visit was not the visitor's first") && sentence.contains("By pairs"), "{sentence}");
}

#[test]
fn one_visitor_under_one_name_is_one_person_over_all_visits() {
    let desk = Desk::new();
    played_session(&desk, 4);
    std::fs::write(desk.join("v.txt"), [line("a1", 1, "one/two", "03", "bo"), line("a1", 2, "one/two", "00", "bo")].join("\n"))
        .unwrap();
    let doc = desk.run(&["votes", "s", "v.txt", "--audience", "--json"]).ends(0).json();
    assert_eq!((doc["people"].as_u64(), doc["visits"].as_u64()), (Some(1), Some(2)));
}

#[test]
fn damaged_lines_are_named_and_older_pages_are_still_read() {
    let desk = Desk::new();
    played_session(&desk, 4);
    let good = line("a1", 1, "one/two", "0312", "");
    for (text, what) in [
        (good.replace(":0312:", ":0322:"), "line 1: a visitor's line does not give its code"),
        (good[..good.len() - 3].to_owned(), "does not give its code"),
        (format!("{good}\n{}", line("a1", 1, "one/two", "0000", "")), "line 2: visitor a1 sends visit 1 again"),
        (line("a1", 0, "one/two", "03", ""), "does not give its code"),
        (line("a1", 1, "one", "03", ""), "does not give its code"),
        (line("a1", 1, "one/two", "04", ""), "does not give its code"),
    ] {
        std::fs::write(desk.join("v.txt"), &text).unwrap();
        let error = desk.run(&["votes", "s", "v.txt", "--audience", "--json"]).ends(4).json()["error"].clone();
        assert!(error["message"].as_str().unwrap().contains(what), "{text}: {error}");
    }
    // Two visitors of an older page who gave no name: told apart by their codes.
    let own = |answers: &[(&str, &str)]| -> String {
        let text: String = answers.iter().zip(1..).map(|((c, r), n)| format!("{n}{c}{r};")).collect();
        let code = visitor_code(&format!("visitor\n{text}"));
        answers.iter().zip(1..).map(|((c, r), n)| format!("visitor,{n},{c},{r},{code}\n")).collect()
    };
    let text = format!("person,clip,choice,right,code\n{}{}", own(&[("A", "A"), ("B", "A")]), own(&[("A", "B"), ("B", "B")]));
    std::fs::write(desk.join("v.csv"), text).unwrap();
    let doc = desk.run(&["votes", "s", "v.csv", "--audience", "--json"]).ends(0).json();
    assert_eq!((doc["people"].as_u64(), doc["answers"].as_u64(), doc["correct"].as_u64()), (Some(2), Some(4), Some(2)));
}
