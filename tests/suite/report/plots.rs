//! Plots read back from their SVG: what stands in the drawing is what was counted.

use super::sample;
use cabjury::model::ids::SetupName;
use cabjury::model::result::{ItemDoc, RatingDoc, ScaleDoc};
use cabjury::model::verdict::VerdictKind;
use cabjury::report::heard_takes::{TakeShare, TakesHeard};
use cabjury::report::plots;
use cabjury::report::view::ScoreView;

/// Numbers of an attribute of all elements of a kind with a colour.
fn attributes(svg: &str, tag: &str, colour: &str, attribute: &str) -> Vec<f64> {
    svg.split('<')
        .filter(|e| e.starts_with(tag) && e.contains(colour))
        .filter_map(|e| e.split(&format!(" {attribute}=\"")).nth(1)?.split('"').next()?.parse().ok())
        .collect()
}

/// Points of a polyline or polygon.
fn points(element: &str) -> Vec<(f64, f64)> {
    let list = element.split("points=\"").nth(1).unwrap().split('"').next().unwrap();
    list.split_whitespace()
        .map(|p| {
            let (x, y) = p.split_once(',').unwrap();
            (x.parse().unwrap(), y.parse().unwrap())
        })
        .collect()
}

/// All words with their places.
fn words(svg: &str) -> Vec<(String, f64, f64)> {
    svg.split("<text ")
        .skip(1)
        .map(|e| {
            let number = |name: &str| e.split(&format!("{name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
            let text = e.split_once('>').unwrap().1.split('<').next().unwrap().trim().to_owned();
            (text, number("x"), number("y"))
        })
        .collect()
}

/// The scale of an axis, from two ticks: value = (place - a) / b.
fn scale(one: (f64, f64), two: (f64, f64)) -> impl Fn(f64) -> f64 {
    let b = (two.1 - one.1) / (two.0 - one.0);
    move |place| one.0 + (place - one.1) / b
}

const ACCENT: &str = "#A63D1F";

fn across(svg: &str) -> impl Fn(f64) -> f64 + use<> {
    let words = words(svg);
    let at = |w: &str| words.iter().find(|t| t.0 == w).unwrap().1;
    scale((0.0, at("0 %")), (1.0, at("100 %")))
}

#[test]
fn interval_shows_what_was_counted() {
    let test = sample::test(VerdictKind::Heard, &[(12, 16)], "Heard.");
    let plot = plots::interval(&test, test.score.as_ref().unwrap()).unwrap().unwrap();
    let x = across(&plot.svg);
    // 12/16 with Clopper-Pearson .47622918 .92733796: computed with scipy 1.17.1.
    let dot = attributes(&plot.svg, "circle", ACCENT, "cx");
    assert!((x(dot[0]) - 0.75).abs() < 0.001, "{dot:?}");
    let line = plot.svg.split('<').find(|e| e.starts_with("polyline") && e.contains(ACCENT)).unwrap();
    let ends = points(line);
    assert!((x(ends[0].0) - 0.476_229).abs() < 0.001 && (x(ends[1].0) - 0.927_338).abs() < 0.001, "{ends:?}");
    assert!(plot.table.rows.iter().any(|r| r[1] == "0.4762 to 0.9273"), "{:?}", plot.table);
    assert!(plot.alt.contains("12 of 16 picks"));
}

#[test]
fn power_marks_this_test_on_the_saw_tooth() {
    let test = sample::test(VerdictKind::Heard, &[(12, 16)], "Heard.");
    let plot = plots::power(&test, test.score.as_ref().unwrap()).unwrap().unwrap();
    let words = words(&plot.svg);
    let tick = |w: &str| words.iter().find(|t| t.0 == w).unwrap();
    let y = scale((0.0, tick("0 %").2), (1.0, tick("100 %").2));
    let x = scale((10.0, tick("10").1), (20.0, tick("20").1));
    let (cx, cy) = (attributes(&plot.svg, "circle", ACCENT, "cx")[0], attributes(&plot.svg, "circle", ACCENT, "cy")[0]);
    assert!((x(cx) - 16.0).abs() < 0.05);
    // Power .630 of 16 trials at .75: computed with scipy 1.17.1.
    assert!((y(cy) - 0.630).abs() < 0.002, "{}", y(cy));
    let curve =
        plot.svg.split('<').find(|e| e.starts_with("polyline") && e.contains("#22201C") && e.matches(',').count() > 30).unwrap();
    let curve = points(curve);
    assert_eq!(curve.len(), 40);
    // A saw-tooth: it falls somewhere.
    assert!(curve.windows(2).any(|w| y(w[1].1) < y(w[0].1) - 0.01));
}

#[test]
fn forest_has_a_row_per_listener_in_black_and_white() {
    let test = sample::test(VerdictKind::Heard, &[(13, 16), (9, 16), (15, 16)], "Heard.");
    let plot = plots::forest(&test, test.score.as_ref().unwrap()).unwrap().remove(0);
    let x = across(&plot.svg);
    let dots = attributes(&plot.svg, "circle", "fill=\"#22201C\"", "cx");
    // Filled: significant alone after correction. The second listener's dot is open, told by shape and not by colour.
    assert_eq!(dots.len(), 2);
    assert!((x(dots[0]) - 13.0 / 16.0).abs() < 0.001 && (x(dots[1]) - 15.0 / 16.0).abs() < 0.001);
    assert_eq!(plot.table.rows.len(), 3);
    let one = sample::test(VerdictKind::Heard, &[(13, 16)], "Heard.");
    assert!(plots::forest(&one, one.score.as_ref().unwrap()).unwrap().is_empty());
}

/// Sixty listeners are three drawings that a printed page holds each, every listener in one of them and all together in each.
#[test]
fn many_listeners_are_drawn_in_parts() {
    let counts: Vec<(u64, u64)> = (0..60).map(|i| (8 + i % 9, 16)).collect();
    let test = sample::test(VerdictKind::Heard, &counts, "Heard.");
    let score = test.score.as_ref().unwrap();
    let plots = plots::forest(&test, score).unwrap();
    assert_eq!(plots.iter().map(|p| p.table.rows.len()).collect::<Vec<_>>(), [24, 24, 12]);
    let mut ids = std::collections::BTreeSet::new();
    for (part, listeners) in plots.iter().zip(score.result.listeners.chunks(24)) {
        let x = across(&part.svg);
        let mut found: Vec<(f64, f64)> = Vec::new();
        for element in part.svg.split('<').filter(|e| e.starts_with("circle") && e.contains("#22201C")) {
            let number = |name: &str| {
                element.split(&format!(" {name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse::<f64>().unwrap()
            };
            found.push((number("cy"), x(number("cx"))));
        }
        assert_eq!(found.len(), listeners.len());
        for ((_, share), listener) in found.iter().zip(listeners) {
            assert!((share - listener.correct.unwrap() as f64 / 16.0).abs() < 0.001, "{listener:?}");
        }
        assert!(
            ids.insert(part.svg.split("id=\"").nth(1).unwrap().split('"').next().unwrap().to_owned()),
            "two drawings of one id"
        );
        let (_, high) = plots::sheet_of(&part.svg);
        // A printed page is 297 mm less 34 mm of margins, the plot 125 mm wide (the page's style).
        assert!(high / 5600.0 * 125.0 < 263.0 - 20.0, "{high}");
    }
    let html = cabjury::report::page::page(&cabjury::report::content::document(&sample::report(test)).unwrap());
    assert_eq!(html.matches("class=\"many\"").count(), 1);
}

#[test]
fn bands_show_measured_floor_and_prediction() {
    let report = sample::report(sample::test(VerdictKind::Heard, &[(12, 16)], "Heard."));
    let difference = &report.differences[0];
    let plot = plots::bands(difference, "bands-1").unwrap().unwrap();
    let words = words(&plot.svg);
    let tick = |w: &str| words.iter().find(|t| t.0 == w).unwrap();
    let x = scale((2.0, tick("100").1), (3.0, tick("1k").1));
    let y = scale((0.0, tick("0").2), (-1.0, tick("\u{2212}1").2));
    let line =
        plot.svg.split('<').find(|e| e.starts_with("polyline") && e.contains(ACCENT) && e.matches(',').count() == 20).unwrap();
    for ((px, py), band) in points(line).into_iter().zip(&difference.bands) {
        assert!((x(px) - band.hz.log10()).abs() < 0.002);
        assert!((y(py) - band.between_db.unwrap()).abs() < 0.01);
    }
    assert_eq!(plot.svg.matches("stroke-dasharray").count(), 2, "prediction and its legend are dashed");
    assert_eq!(plot.table.rows.len(), 20);
    assert_eq!(plot.table.rows[0][0], "80");
    assert_eq!(plot.table.rows[19][0], "6.3k");
}

/// Three setups on an invented scale.
fn liked(score: &ScoreView) -> ScoreView {
    let mut score = score.clone();
    let scale = [("s16", 0.8, 0.3), ("p4", -0.2, 0.25), ("sp8", -0.6, 0.35)];
    let item = |(setup, ability, standard_error): (&str, f64, f64)| ItemDoc {
        setup: SetupName::new(setup).unwrap(),
        ability,
        standard_error,
    };
    score.result.scale = Some(ScaleDoc {
        items: scale.into_iter().map(item).collect(),
        shrunk: false,
        tiers: None,
        connected: true,
        order_effect: None,
        differences: Vec::new(),
        circular_triads: Vec::new(),
        agreement: None,
    });
    score
}

/// Two setups and an anchor, rated.
fn rated(score: &ScoreView) -> ScoreView {
    let mut score = score.clone();
    let ratings = [(Some("s16"), [80.0, 90.0, 97.0]), (Some("p4"), [55.0, 70.0, 82.0]), (None, [5.0, 12.0, 25.0])];
    let rating = |(setup, [q1, median, q3]): (Option<&str>, [f64; 3])| RatingDoc {
        setup: setup.map(|s| SetupName::new(s).unwrap()),
        hidden_reference: setup == Some("s16"),
        count: 16,
        q1,
        median,
        q3,
    };
    score.result.ratings = Some(ratings.into_iter().map(rating).collect());
    score
}

#[test]
fn the_scale_shows_abilities_where_they_are_and_best_first() {
    let test = sample::test(VerdictKind::Preferred, &[(13, 16)], "Preferred.");
    let plot = plots::scale(&test, &liked(test.score.as_ref().unwrap())).unwrap().unwrap();
    let at = words(&plot.svg);
    let tick = |label: &str| at.iter().find(|w| w.0 == label).map(|w| w.1).unwrap();
    let value = scale((-1.0, tick("\u{2212}1.0")), (1.0, tick("+1.0")));
    let dots = attributes(&plot.svg, "circle", "#22201C", "cx");
    let found: Vec<f64> = dots.iter().map(|x| value(*x)).collect();
    for (found, wanted) in found.iter().zip([0.8, -0.2, -0.6]) {
        assert!((found - wanted).abs() < 0.02, "{found} {wanted}");
    }
    assert_eq!(plot.table.rows[0][0], "s16");
}

#[test]
fn boxes_reach_from_quartile_to_quartile() {
    let test = sample::test(VerdictKind::RatedApart, &[(13, 16)], "Rated apart.");
    let plot = plots::boxes(&test, &rated(test.score.as_ref().unwrap())).unwrap().unwrap();
    let at = words(&plot.svg);
    let tick = |label: &str| at.iter().find(|w| w.0 == label).map(|w| w.1).unwrap();
    let value = scale((0.0, tick("0")), (100.0, tick("100")));
    let filled: Vec<(f64, f64)> = plot
        .svg
        .split('<')
        .filter(|e| e.starts_with("polygon") && e.contains("#E0D4BA"))
        .map(|e| {
            let x: Vec<f64> = points(e).iter().map(|p| value(p.0)).collect();
            (x.iter().copied().fold(f64::MAX, f64::min), x.iter().copied().fold(f64::MIN, f64::max))
        })
        .collect();
    for (found, wanted) in filled.iter().zip([(80.0, 97.0), (55.0, 82.0), (5.0, 25.0)]) {
        assert!((found.0 - wanted.0).abs() < 0.5 && (found.1 - wanted.1).abs() < 0.5, "{found:?} {wanted:?}");
    }
    assert_eq!(filled.len(), 3);
}

/// Two takes of each setup and the three ways to split them.
fn heard() -> TakesHeard {
    let take =
        |take: &str, setup: &str, right, trials| TakeShare { take: take.to_owned(), setup: setup.to_owned(), trials, right };
    TakesHeard {
        takes: vec![take("t001", "s16", 9, 12), take("t003", "s16", 6, 12), take("t002", "p4", 8, 10), take("t004", "p4", 7, 14)],
        splits: vec![2.5, -0.5, 0.25],
        truth: 2.5,
        every_split: true,
    }
}

#[test]
fn takes_stand_at_their_shares_and_the_truth_among_the_splits() {
    let mut test = sample::test(VerdictKind::Heard, &[(13, 16)], "Heard.");
    let score = test.score.clone().unwrap();
    assert!(plots::takes(&test, &score).unwrap().is_none() && plots::splits(&test).unwrap().is_none());
    test.takes_heard = Some(heard());
    let plot = plots::takes(&test, &score).unwrap().unwrap();
    let x = across(&plot.svg);
    let found: Vec<f64> = attributes(&plot.svg, "circle", ACCENT, "cx").into_iter().map(x).collect();
    for (found, wanted) in found.iter().zip([0.75, 0.5, 0.8, 0.5]) {
        assert!((found - wanted).abs() < 0.001, "{found} {wanted}");
    }
    assert_eq!((found.len(), plot.table.rows.len()), (4, 4));
    let plot = plots::splits(&test).unwrap().unwrap();
    let words = words(&plot.svg);
    let tick = |w: &str| words.iter().find(|t| t.0 == w).unwrap_or_else(|| panic!("{w}: {words:?}")).1;
    let z = scale((0.0, tick("0.0")), (2.0, tick("+2.0")));
    let upright = |colour: &str, width: &str| -> Vec<f64> {
        let all = plot.svg.split('<').filter(|e| e.starts_with("polyline") && e.contains(colour) && e.contains(width));
        all.map(|e| z(points(e)[0].0)).collect()
    };
    let sticks = upright("#22201C", "stroke-width=\"20\"");
    for (found, wanted) in sticks.iter().zip([-0.5, 0.25, 2.5]) {
        assert!((found - wanted).abs() < 0.01, "{found} {wanted}");
    }
    assert_eq!(sticks.len(), 3);
    assert!((upright(ACCENT, "stroke-width=\"30\"")[0] - 2.5).abs() < 0.01);
    assert!(plot.alt.contains("1 of 3 splits") && plot.alt.contains("p = 0.33"), "{}", plot.alt);
}

#[test]
fn every_plot_has_words_and_numbers() {
    let test = sample::test(VerdictKind::Heard, &[(13, 16), (9, 16)], "Heard.");
    let score = test.score.clone().unwrap();
    let report = sample::report(test.clone());
    let mut open_ended = test.clone();
    open_ended.planned = None;
    let mut crossed = test.clone();
    crossed.takes_heard = Some(heard());
    let all = [
        plots::interval(&test, &score).unwrap(),
        plots::power(&test, &score).unwrap(),
        plots::forest(&test, &score).unwrap().pop(),
        plots::bands(&report.differences[0], "b").unwrap(),
        plots::levels(&report.takes, "close-a", "l").unwrap(),
        plots::evidence(&open_ended, &score).unwrap(),
        plots::scale(&test, &liked(&score)).unwrap(),
        plots::boxes(&test, &rated(&score)).unwrap(),
        plots::takes(&crossed, &score).unwrap(),
        plots::splits(&crossed).unwrap(),
    ];
    for plot in all {
        let plot = plot.unwrap();
        assert!(plot.svg.starts_with("<svg ") && plot.svg.contains("role=\"img\""), "{}", plot.title);
        assert!(plot.svg.contains("<title id=") && plot.svg.contains("<desc id="), "{}", plot.title);
        assert!(plot.alt.len() > 40 && !plot.table.rows.is_empty(), "{}", plot.title);
        assert!(!plot.svg.contains("NaN") && !plot.svg.contains("inf\""), "{}", plot.title);
    }
}
