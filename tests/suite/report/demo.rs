//! The demo: its sound is measured, and the whole of it runs to a report that holds.

use crate::program::Desk;
use cabjury::demo::{SHEET, demo, material};
use cabjury::model::audio::Audio;
use cabjury::model::outside::{StoppedClock, Unwatched};
use cabjury::publish::report as publish;
use cabjury::rig::sheet::read_sheet;
use cabjury::signal::{align, meter};
use cabjury::trial::Generator;
use cabjury::units::SampleRate;
use tempfile::TempDir;

#[test]
fn the_riff_sounds_like_plucked_strings_and_not_like_beeps() {
    let di = material::di(&mut Generator::simulated(1));
    let rate = SampleRate::new(48_000).unwrap();
    let levels = meter::measure(&Audio::new(rate, vec![di.clone()]).unwrap());
    assert!((-32.0..-12.0).contains(&levels.integrated.unwrap().value()), "{levels:?}");
    assert!(levels.sample_peak.unwrap().value() < -3.0);
    let rms = |from: f64, to: f64| {
        let part = &di[(from * 48_000.0) as usize..(to * 48_000.0) as usize];
        (part.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / part.len() as f64).sqrt()
    };
    // A string rings out: the last chord is loud when struck and has fallen by 12 dB or more two seconds later, but is still there.
    let struck = 1.1 + 26.0 * 30.0 / 116.0;
    let (hit, later) = (rms(struck + 0.05, struck + 0.25), rms(struck + 1.9, struck + 2.1));
    assert!(later < 0.25 * hit && later > 1e-3 * hit, "{hit} {later}");
    // Strings have harmonics: the first chord's low E (82.4 Hz) and its second harmonic stand far above what lies between notes.
    let tone = |hz: f64| {
        let part = &di[(1.2 * 48_000.0) as usize..(1.5 * 48_000.0) as usize];
        let (mut re, mut im) = (0.0, 0.0);
        for (n, v) in part.iter().enumerate() {
            let (w, hann) = (
                std::f64::consts::TAU * hz * n as f64 / 48_000.0,
                0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / part.len() as f64).cos(),
            );
            re += hann * f64::from(*v) * w.cos();
            im += hann * f64::from(*v) * w.sin();
        }
        re.hypot(im)
    };
    assert!(tone(82.4) > 10.0 * tone(68.0), "{} {}", tone(82.4), tone(68.0));
    assert!(tone(164.8) > 3.0 * tone(141.0), "{} {}", tone(164.8), tone(141.0));
    // The lead-in is quiet, so that hum and hiss can be judged there.
    assert!(rms(0.0, 1.0) < 1e-4);
}

#[test]
fn takes_differ_by_a_little_and_setups_by_their_drive() {
    let mut random = Generator::simulated(5);
    let di = material::di(&mut random);
    let flat = |db: f64| vec![(20.0, db), (20_000.0, db)];
    let drives = [
        material::Drive { setup: "one".to_owned(), a: flat(0.0), b: flat(0.0) },
        material::Drive { setup: "two".to_owned(), a: flat(-2.0), b: flat(-2.0) },
    ];
    let takes = material::record(&di, &drives, &[0, 1, 0], &mut random);
    assert_eq!(takes.len(), 6);
    let rate = SampleRate::new(48_000).unwrap();
    let loud = |i: usize| meter::measure(&Audio::new(rate, vec![takes[i].samples.clone()]).unwrap()).integrated.unwrap().value();
    // Same mic, same setup: a tenth or two of a dB. The other setup: 2 dB less, as its drive says.
    assert!((loud(0) - loud(4)).abs() < 0.35, "{} {}", loud(0), loud(4));
    assert!((loud(0) - loud(2) - 2.0).abs() < 0.4, "{} {}", loud(0), loud(2));
    let lag = align::find_lag(&di, &takes[0].samples, rate, false).unwrap();
    assert!((100.0..260.0).contains(&lag.samples), "{}", lag.samples);
    assert!(align::resemblance(&di, &takes[0].samples, rate).unwrap() > 0.45);
}

#[test]
fn the_demos_sheet_is_a_sheet() {
    let rig = read_sheet(SHEET).unwrap();
    assert_eq!(rig.setups.len(), 2);
    assert_eq!(rig.drivers.len(), 2);
    assert!(rig.title.unwrap().starts_with("Demo"));
}

#[test]
fn the_demo_runs_from_rig_to_a_report_that_holds() {
    let dir = TempDir::with_prefix("cabjury-demo-").unwrap();
    let folder = dir.path().join("d");
    let clock = StoppedClock("2026-03-01T20:00:00Z".parse().unwrap());
    let doc = demo(Some(&folder), 1, &clock, &Unwatched).unwrap();
    // Ten passes of two mics, and the DI.
    assert_eq!(doc.takes, 21);
    assert!(doc.largest_mismatch_lu < 0.02);
    assert_eq!(doc.verdicts.len(), 2);
    assert!(doc.verdicts.iter().all(|v| v.sentence.starts_with("Simulated listeners:")), "{:?}", doc.verdicts);
    assert_eq!(doc.verdicts[0].verdict, Some("heard-some"), "two of three hear it");
    let html = std::fs::read_to_string(&doc.report).unwrap();
    assert!(html.contains("Invented:") && !html.contains("http") && !html.contains("<script"));
    assert!(html.len() < 3_000_000);
    assert!(!folder.join(".incoming").exists());

    // The same session, the same instant: the same bytes, also as Markdown; and nothing is written over.
    let again = publish::report(&folder, None, &clock).unwrap();
    assert_ne!(again.path, doc.report);
    assert_eq!(std::fs::read_to_string(&again.path).unwrap(), html);
    let refused = publish::report(&folder, Some(std::path::Path::new(&again.path)), &clock).unwrap_err();
    assert_eq!(refused.explain().fate().exit_code(), 3);

    // The numbers of the report are those of `score`.
    let json = dir.path().join("all.json");
    publish::report(&folder, Some(&json), &clock).unwrap();
    let all: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(json).unwrap()).unwrap();
    for (shown, scored) in all["report"]["tests"].as_array().unwrap().iter().zip(all["score"]["tests"].as_array().unwrap()) {
        for key in ["trials", "correct", "p_value", "critical", "interval95", "sentence", "verdict"] {
            assert_eq!(shown["score"][key], scored[key], "{key}");
        }
    }
    assert_eq!(all["audit"]["ok"], true);
}

#[test]
fn the_program_writes_reports_where_it_is_told() {
    let desk = Desk::new();
    desk.run(&["report", "nowhere"]).ends(4);
    let made = desk.run(&["demo", "d", "--seed", "3", "--json"]).ends(0).json();
    assert_eq!(made["seed"], 3);
    assert!(desk.join("d/reports/report-1.html").is_file());
    let doc = desk.run(&["report", "d", "--json", "--out", "r.md"]).ends(0).json();
    assert_eq!(doc["format"], "md");
    desk.run(&["report", "d", "--out", "r.md"]).ends(3);
    desk.run(&["report", "d", "--out", "r.pdf"]).ends(2);
    // A folder that holds something is never used again.
    desk.run(&["demo", "d"]).ends(3);
    desk.run(&["audit", "d"]).ends(0);
}
