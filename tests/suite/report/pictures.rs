//! Pictures measured: every word inside its picture and clear of every other, contrast and sizes, counts as in the result, and small copies
//! against golden ones by tolerance.

use super::sample;
use cabjury::model::verdict::VerdictKind;
use cabjury::paint::raster;
use cabjury::paint::theme::{Ink, Theme};
use cabjury::report::picture::card::card;
use cabjury::report::picture::framed::framed;
use cabjury::report::picture::network::friendly;
use cabjury::report::picture::reveal::reveal;
use cabjury::report::picture::wiring::{comparisons, slide};
use cabjury::report::picture::{Ground, Picture, Size};
use cabjury::report::plots;
use cabjury::report::view::{Report, ScoreView, SetupView, TestView};
use std::path::Path;
use std::sync::LazyLock;

fn grounds() -> Vec<Ground> {
    Size::ALL.into_iter().flat_map(|size| [Theme::Light, Theme::Dark].map(|theme| Ground { size, theme })).collect()
}

fn ground(size: Size) -> Ground {
    Ground { size, theme: Theme::Light }
}

fn score(test: &TestView) -> &ScoreView {
    test.score.as_ref().unwrap()
}

static VERDICTS: LazyLock<Vec<(&'static str, TestView)>> = LazyLock::new(judged_verdicts);

/// Verdicts of five kinds, with the words that the tool itself gives them.
fn verdicts() -> Vec<(&'static str, TestView)> {
    VERDICTS.clone()
}

fn judged_verdicts() -> Vec<(&'static str, TestView)> {
    let judged = |counts: &[(u64, u64)]| {
        let mut test = sample::test(VerdictKind::Heard, counts, "");
        let result = sample::judged(counts);
        test.score.as_mut().unwrap().result = result;
        test
    };
    let mut some = judged(&[(16, 16), (10, 16), (9, 16), (9, 16)]);
    some.takes = vec![("s16".to_owned(), 5), ("p4".to_owned(), 5)];
    let mut exploratory = judged(&[(40, 96)]);
    let r = &mut exploratory.score.as_mut().unwrap().result;
    (r.head.exploratory, r.simulated_only) = (true, true);
    r.headline = cabjury::report::sentence::headline(r);
    vec![
        ("heard", judged(&[(13, 16)])),
        ("heard-panel", judged(&[(14, 16), (12, 16), (13, 16), (11, 16)])),
        ("some", some),
        ("too-few", judged(&[(9, 16)])),
        ("not-shown", judged(&[(99, 200)])),
        ("exploratory", exploratory),
    ]
}

static CROWDED: LazyLock<TestView> = LazyLock::new(judged_crowd);

/// Long names of everything, and many of everybody.
fn crowded() -> TestView {
    CROWDED.clone()
}

fn judged_crowd() -> TestView {
    let counts: Vec<(u64, u64)> = (0..24).map(|i| (8 + i % 7, 16)).collect();
    let mut test = sample::test(VerdictKind::TooFew, &counts, "");
    test.score.as_mut().unwrap().result = sample::judged(&counts);
    test.setups = vec!["series-of-both-drivers-open-back".to_owned(), "parallel-with-B-reversed-closed".to_owned()];
    test.mic = "the-blend-of-close-and-room".to_owned();
    test.excerpt = "second-verse-and-solo".to_owned();
    test.differs = (0..6).map(|i| format!("thing number {i} that changed: from something long to something longer")).collect();
    test
}

/// All words lie inside the picture and none lies on another.
fn words_keep_their_places(what: &str, picture: &Picture, size: Size) {
    let words = raster::words(&picture.svg).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert!(!words.is_empty(), "{what} has no words");
    let (w, h) = size.pixels();
    for (text, [left, top, right, bottom]) in &words {
        let inside = *left >= 12.0 && *top >= 12.0 && *right <= w as f32 - 12.0 && *bottom <= h as f32 - 12.0;
        assert!(inside, "{what}: {text:?} runs out of {w} x {h}: {left} {top} {right} {bottom}");
    }
    for (i, (one, a)) in words.iter().enumerate() {
        for (other, b) in &words[i + 1..] {
            // Boxes are the typeface's, from the top of its capitals' ascent to its descent: lines that follow each other may touch.
            let wide = a[2].min(b[2]) - a[0].max(b[0]);
            let high = a[3].min(b[3]) - a[1].max(b[1]);
            let least = (a[3] - a[1]).min(b[3] - b[1]);
            assert!(wide <= 1.0 || high <= 0.35 * least, "{what}: {one:?} lies on {other:?}: {a:?} {b:?}");
        }
    }
}

/// Relative luminance of a colour: WCAG 2.2, definition of relative luminance.
fn luminance(colour: &str) -> f64 {
    let part = |i: usize| f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
    let linear = |v: f64| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
    0.2126 * linear(part(1)) + 0.7152 * linear(part(3)) + 0.0722 * linear(part(5))
}

/// Contrast ratio: WCAG 2.2, definition of contrast ratio.
fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Every word stands out from the ground by 4.5 to 1 (WCAG 2.2, 1.4.3), and every size is at least what is given.
fn words_can_be_read(what: &str, picture: &Picture, theme: Theme, least: f64) {
    let paper = theme.colour(Ink::Paper);
    for element in picture.svg.split("<text ").skip(1) {
        let value = |name: &str| element.split(&format!("{name}=\"")).nth(1).unwrap().split('"').next().unwrap();
        let ratio = contrast(value("fill"), paper);
        assert!(ratio >= 4.5, "{what}: {ratio:.2} to 1: {element}");
        let size: f64 = value("font-size").parse().unwrap();
        assert!(size >= least, "{what}: {size} px: {element}");
    }
}

/// A file of its own: one root with a name space, nothing from outside.
fn stands_alone(what: &str, picture: &Picture) {
    assert!(picture.svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\""), "{what}");
    for foreign in ["href", "url(", "<script", "<style", "<image", "@import"] {
        assert!(!picture.svg.contains(foreign), "{what} holds {foreign}");
    }
}

/// With `CABJURY_SHOTS=DIR` pictures are kept there to be looked at.
fn keep(name: &str, picture: &Picture) {
    if let Some(dir) = std::env::var_os("CABJURY_SHOTS") {
        let path = Path::new(&dir).join(format!("{}.png", name.replace(' ', "-")));
        std::fs::write(path, raster::png(&raster::pixels(&picture.svg).unwrap()).unwrap()).unwrap();
    }
}

#[test]
fn cards_of_every_kind_size_and_theme_keep_their_words() {
    for (name, test) in verdicts().into_iter().chain([("crowded", crowded())]) {
        for ground in grounds() {
            let what = format!("{name} {} {}", ground.size.name(), ground.theme.name());
            let picture = card("A ten and a twelve", &test, score(&test), ground);
            stands_alone(&what, &picture);
            keep(&what, &picture);
            words_keep_their_places(&what, &picture, ground.size);
            words_can_be_read(&what, &picture, ground.theme, 14.0);
            assert!(picture.svg.contains("font-size"), "{what}");
        }
    }
}

#[test]
fn a_card_is_readable_on_a_phone_and_says_what_the_verdict_says() {
    for (name, test) in verdicts() {
        let result = &score(&test).result;
        for size in Size::ALL {
            let picture = card("A ten and a twelve", &test, score(&test), ground(size));
            let sizes: Vec<f64> =
                picture.svg.split("font-size=\"").skip(1).filter_map(|e| e.split('"').next()?.parse().ok()).collect();
            // A phone held upright shows 1080 px as about 390 points: a headline of 56 px is 20 points there (from memory; 16 and up is
            // common practice for reading).
            assert!(sizes.iter().copied().fold(0.0, f64::max) >= 56.0, "{name} {}: {sizes:?}", size.name());
            // Nothing but the foot is below 18 px of 1080.
            assert!(sizes.iter().filter(|s| **s < 18.0).count() <= 1, "{name} {}: {sizes:?}", size.name());
            let said: String = raster::words(&picture.svg).unwrap().into_iter().map(|(t, _)| t + " ").collect();
            let plain =
                |t: &str| t.replace(['\u{a0}', '\u{2013}'], " ").replace(" - ", "   ").split_whitespace().collect::<String>();
            assert!(plain(&said).contains(&plain(&result.headline)), "{said}\nlacks\n{}", result.headline);
            assert!(said.contains("It does not say"), "{said}");
            assert!(said.contains(test.fingerprint.as_deref().unwrap()), "{said}");
            for (on, tag) in [(result.simulated_only, "simulated listeners"), (result.head.exploratory, "exploratory")] {
                assert_eq!(said.contains(tag), on, "{tag}: {said}");
            }
        }
    }
}

#[test]
fn marks_are_as_many_as_the_result_counts() {
    for (name, test) in verdicts() {
        let picture = card("t", &test, score(&test), ground(Size::Wide));
        let marks = |class: &str| picture.svg.matches(&format!("<circle class=\"{class}\"")).count() as u64;
        let count = &score(&test).result.count;
        assert_eq!(marks("right"), count.correct.unwrap(), "{name}");
        assert_eq!(marks("right") + marks("wrong"), count.trials, "{name}");
    }
}

#[test]
fn a_card_never_says_more_than_its_verdict() {
    let of = |wanted: &str| verdicts().into_iter().find(|(n, _)| *n == wanted).unwrap().1;
    let alt = |test: &TestView| card("t", test, score(test), ground(Size::Wide)).alt;
    assert!(alt(&of("not-shown")).contains("that they sound the same"), "{}", alt(&of("not-shown")));
    assert!(alt(&of("exploratory")).contains("anything about people"), "{}", alt(&of("exploratory")));
    assert!(alt(&of("heard")).contains("which of them is better"), "{}", alt(&of("heard")));
    assert!(!alt(&of("heard")).contains("sound the same"));
}

/// Every plot of an invented session.
fn all_plots() -> Vec<plots::Plot> {
    let report = sample::report(crowded());
    let test = &report.tests[0];
    let mut out = vec![
        plots::bands(&report.differences[0], "b").unwrap().unwrap(),
        plots::levels(&report.takes, "close-a", "l").unwrap().unwrap(),
    ];
    for (_, test) in verdicts().iter().take(2) {
        out.extend(plots::interval(test, score(test)).unwrap());
        out.extend(plots::power(test, score(test)).unwrap());
        out.extend(plots::forest(test, score(test)).unwrap());
    }
    out.extend(plots::forest(test, score(test)).unwrap());
    out
}

#[test]
fn plots_as_pictures_keep_their_words() {
    for (i, plot) in all_plots().iter().enumerate() {
        for ground in grounds() {
            let what = format!("plot {i} {} {}", ground.size.name(), ground.theme.name());
            let picture = framed(plot, "A ten and a twelve \u{b7} invented", ground);
            stands_alone(&what, &picture);
            keep(&what, &picture);
            words_keep_their_places(&what, &picture, ground.size);
            words_can_be_read(&what, &picture, ground.theme, 14.0);
        }
    }
}

/// Setups with two to sixteen drivers.
fn wired() -> Report {
    let mut report = sample::report(crowded());
    let labels: Vec<String> = (0..16).map(|i| format!("drv_{i:02}_abc")).collect();
    let groups: Vec<String> = labels.chunks(4).map(|c| format!("({})", c.join(" + "))).collect();
    let mut add = |name: &str, network: String| {
        let shares = labels.iter().filter(|l| network.contains(l.as_str())).map(|l| (l.clone(), 1.0 / 16.0)).collect();
        report.setups.push(SetupView { name: name.to_owned(), network: Some(network), shares, ..report.setups[0].clone() });
    };
    add("sixteen-in-series-of-the-longest-name", labels.join(" + "));
    add("sixteen-in-parallel", labels.join(" || "));
    add("four-by-four", groups.join(" || "));
    add("reversed", "A + -B".to_owned());
    report
}

#[test]
fn wirings_of_two_to_sixteen_drivers_keep_their_words() {
    let report = wired();
    let ratings: Vec<(String, String)> = ["A", "B"].iter().map(|d| ((*d).to_owned(), "8 ohm".to_owned())).collect();
    for ground in grounds() {
        for setup in &report.setups {
            let what = format!("{} {} {}", setup.name, ground.size.name(), ground.theme.name());
            let picture = slide(setup, &ratings, "A ten and a twelve", ground).unwrap();
            stands_alone(&what, &picture);
            keep(&what, &picture);
            words_keep_their_places(&what, &picture, ground.size);
            words_can_be_read(&what, &picture, ground.theme, 6.0);
            let said: String = raster::words(&picture.svg).unwrap().into_iter().map(|(t, _)| t + " ").collect();
            assert!(said.contains(&setup.name), "{said}");
        }
        let all = comparisons(&report.setups[..2], &ratings, "A ten and a twelve", ground);
        assert_eq!(all.len(), 1);
        words_keep_their_places("comparison", &all[0], ground.size);
        words_can_be_read("comparison", &all[0], ground.theme, 14.0);
        for picture in comparisons(&report.setups, &ratings, "A ten and a twelve", ground) {
            words_keep_their_places("six setups", &picture, ground.size);
        }
    }
}

#[test]
fn networks_are_named_as_people_say_them() {
    let said = |text: &str| friendly(&cabjury::circuit::notation::parse(text).unwrap());
    assert_eq!(said("A + B"), "A and B in series");
    assert_eq!(said("A || -B"), "A and B reversed in parallel");
    assert_eq!(said("(A + B) || (C + D)"), "(A and B in series) and (C and D in series) in parallel");
}

#[test]
fn a_reveal_ends_where_the_count_does_and_shows_nothing_before() {
    let (_, test) = verdicts().swap_remove(0);
    let found = reveal("A ten and a twelve", &test, score(&test)).unwrap();
    let frames = found.frames();
    assert_eq!((frames[0], *frames.last().unwrap()), (0, 16));
    assert_eq!(found.right(16) as u64, score(&test).result.count.correct.unwrap());
    for ground in grounds() {
        for n in [0, 1, 7, 16] {
            let svg = found.frame(n, ground);
            assert_eq!(svg.contains("p\u{a0}="), n == 16, "the verdict before the last pick, at {n}");
            let picture = Picture { title: String::new(), alt: String::new(), svg };
            words_keep_their_places(&format!("reveal {n}"), &picture, ground.size);
            words_can_be_read("reveal", &picture, ground.theme, 20.0);
        }
    }
}

#[test]
fn an_animated_png_has_every_frame() {
    let (_, test) = verdicts().swap_remove(0);
    let found = reveal("t", &test, score(&test)).unwrap();
    let frames = [0, 8, 16].map(|n| Ok((raster::pixels(&found.frame(n, ground(Size::Square))).unwrap(), 100)));
    let bytes = raster::animated((1080, 1080), 3, frames.into_iter()).unwrap();
    let reader = png::Decoder::new(std::io::Cursor::new(&bytes)).read_info().unwrap();
    assert_eq!(reader.info().animation_control().unwrap().num_frames, 3);
    assert_eq!((reader.info().width, reader.info().height), (1080, 1080));
}

/// A picture at a twentieth of its size, each pixel the mean of a square.
fn small(picture: &Picture) -> raster::Pixels {
    const BY: u32 = 20;
    let large = raster::pixels(&picture.svg).unwrap();
    let (width, height) = (large.width / BY, large.height / BY);
    let mut rgb = Vec::new();
    for y in 0..height {
        for x in 0..width {
            for c in 0..3 {
                let at = |dx: u32, dy: u32| u32::from(large.rgb[(((y * BY + dy) * large.width + x * BY + dx) * 3 + c) as usize]);
                let sum: u32 = (0..BY).flat_map(|dy| (0..BY).map(move |dx| (dx, dy))).map(|(dx, dy)| at(dx, dy)).sum();
                rgb.push(u8::try_from(sum / (BY * BY)).unwrap());
            }
        }
    }
    raster::Pixels { width, height, rgb }
}

#[test]
fn pictures_look_as_they_did() {
    let report = wired();
    let (_, test) = verdicts().swap_remove(1);
    let pictures = [
        ("card-wide", card("A ten and a twelve", &test, score(&test), ground(Size::Wide))),
        ("card-tall-dark", card("A ten and a twelve", &test, score(&test), Ground { size: Size::Tall, theme: Theme::Dark })),
        ("plot-bands", framed(&all_plots()[0], "A ten and a twelve", ground(Size::Wide))),
        ("wiring", slide(&report.setups[0], &[], "A ten and a twelve", ground(Size::Wide)).unwrap()),
    ];
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/pictures");
    for (name, picture) in pictures {
        let (now, path) = (small(&picture), folder.join(format!("{name}.png")));
        if std::env::var_os("CABJURY_GOLDEN").is_some() {
            std::fs::create_dir_all(&folder).unwrap();
            std::fs::write(&path, raster::png(&now).unwrap()).unwrap();
        }
        let file = std::fs::File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let mut reader = png::Decoder::new(std::io::BufReader::new(file)).read_info().unwrap();
        let mut kept = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut kept).unwrap();
        assert_eq!(kept.len(), now.rgb.len(), "{name}");
        let off: f64 = kept.iter().zip(&now.rgb).map(|(a, b)| f64::from(a.abs_diff(*b))).sum::<f64>() / kept.len() as f64;
        // Another processor rounds edges otherwise; a word that moved by a pixel is far more.
        assert!(off < 1.0, "{name} is off by {off:.2} of 255 in the mean");
    }
}
