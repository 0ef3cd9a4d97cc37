//! An invented report: numbers that the statistics room computes, on records that nobody measured.

use cabjury::model::trial::Method;
use cabjury::model::verdict::VerdictKind;
use cabjury::report::view::{
    AuditView, BandView, ClipView, DifferenceView, ListenerView, MatchView, PickView, Report, ScoreView, SetupView, TakeView,
    TestView,
};
use cabjury::stats::binomial::upper_tail;
use cabjury::stats::intervals::clopper_pearson;
use cabjury::stats::verdict::{Counted, numbers, power_at};

/// A scored test with so many right of so many, by listeners of equal numbers of trials.
pub(crate) fn test(verdict: VerdictKind, counts: &[(u64, u64)], sentence: &str) -> TestView {
    let trials: u64 = counts.iter().map(|c| c.1).sum();
    let correct: u64 = counts.iter().map(|c| c.0).sum();
    let n = numbers(&Counted { method: Method::Abx, trials, correct, alpha: 0.05, bound: 0.3, anytime: None });
    let d = n.distinguishers.unwrap();
    let score = ScoreView {
        verdict,
        sentence: sentence.to_owned(),
        simulated_only: false,
        trials,
        done: trials,
        void: 1,
        correct,
        chance: n.chance,
        p_value: n.p_value,
        p_holm: n.p_value,
        anytime_p: Some(n.anytime_p),
        critical: n.critical,
        true_size: n.true_size,
        mid_p: n.mid_p,
        interval95: n.interval95,
        lower95: n.lower95,
        distinguishers: Some([d.estimate, d.low, d.high, d.upper95]),
        dprime: None,
        similarity_p: n.similarity,
        power_at_three_quarters: Some(power_at(Method::Abx, trials, 0.05, 0.75)),
        same_file: (7, 4),
        repeat: (5, 2),
        listeners: counts
            .iter()
            .enumerate()
            .map(|(i, (right, of))| {
                let p = upper_tail(*right, *of, 0.5);
                ListenerView {
                    listener: format!("listener-{}", i + 1),
                    simulated: false,
                    trials: *of,
                    correct: *right,
                    interval95: clopper_pearson(*right, *of, 0.05),
                    p_value: p,
                    p_holm: (p * counts.len() as f64).min(1.0),
                    medians: Vec::new(),
                    flags: Vec::new(),
                }
            })
            .collect(),
        heterogeneity: None,
        ratings: Vec::new(),
        ranks: None,
        preference: None,
        picks: picks(counts),
    };
    TestView {
        test: "test-1".to_owned(),
        method: Method::Abx,
        setups: vec!["s16".to_owned(), "p4".to_owned()],
        mic: "close-a".to_owned(),
        excerpt: "whole".to_owned(),
        as_recorded: false,
        differs: vec!["wiring: A + B against A || B".to_owned(), "tap: 16 ohm against 4 ohm".to_owned()],
        takes: vec![("s16".to_owned(), 4), ("p4".to_owned(), 4)],
        planned: Some(u32::try_from(counts[0].1).unwrap()),
        listeners_planned: u32::try_from(counts.len()).unwrap(),
        alpha: 0.05,
        bound: 0.3,
        controls_planned: (7, 5),
        attribute: None,
        exclusion: "nobody is left out".to_owned(),
        warnings: vec!["the wiring p4 was never metered".to_owned()],
        load_reason: None,
        seal_sha256: "5e".repeat(32),
        sealed_at: "2026-03-01T20:10:00Z".to_owned(),
        closed_at: Some("2026-03-01T21:40:00Z".to_owned()),
        fate: "closed by itself, scored".to_owned(),
        score: Some(score),
    }
}

fn picks(counts: &[(u64, u64)]) -> Vec<PickView> {
    let mut all = Vec::new();
    for (i, (right, of)) in counts.iter().enumerate() {
        for n in 0..*of {
            // Right ones are spread evenly over the trials.
            let hit = (n + 1) * right / of > n * right / of;
            all.push(PickView {
                listener: format!("listener-{}", i + 1),
                number: u32::try_from(n + 1).unwrap(),
                kind: "scored".to_owned(),
                order: "A s16 t003, B p4 t004, X p4 t008".to_owned(),
                choice: if hit { "B" } else { "A" }.to_owned(),
                key: "B".to_owned(),
                right: Some(hit),
                counted: Some(hit),
                seconds: Some(14.2),
                void: None,
                remark: None,
            });
        }
    }
    all
}

/// A report around one test.
pub(crate) fn report(test: TestView) -> Report {
    let setup = |name: &str, network: &str, tap: f64, load: &str| {
        SetupView {
        name: name.to_owned(),
        network: Some(network.to_owned()),
        tap_ohm: Some(tap),
        load: Some(load.to_owned()),
        grade: Some("matched".to_owned()),
        reasons: Vec::new(),
        shares: vec![("A".to_owned(), 0.5), ("B".to_owned(), 0.5)],
        meter: vec!["13.6 ohm, as intended (expected 12.4 to 14.4)".to_owned()],
        gate: Vec::new(),
        cautions: vec!["Rated 50 W, the amplifier gives up to 100 W in clipping: more than the cab's 60 W by the ratings you entered. Keep it out of clipping.".to_owned()],
        drawing: None,
        takes: 4,
    }
    };
    Report {
        title: "A ten and a twelve".to_owned(),
        question: Some("Is series against parallel audible with two unlike drivers?".to_owned()),
        invented: None,
        made_at: "2026-03-01T22:00:00Z".to_owned(),
        amplifier: Some("head 1, valve, 50 W".to_owned()),
        drivers: vec![
            ["A", "8 ohm", "60 W", "6.50 ohm, measured", "78 Hz", "yes"].map(str::to_owned).to_vec(),
            ["B", "8 ohm", "30 W", "6.90 ohm, measured", "105 Hz", "yes"].map(str::to_owned).to_vec(),
        ],
        held: vec![("di".to_owned(), "riff-02.wav".to_owned()), ("gain".to_owned(), "4.5".to_owned())],
        setups: vec![setup("s16", "A + B", 16.0, "16.0 ohm"), setup("p4", "A || B", 4.0, "4.0 ohm")],
        takes: takes(),
        matching: vec![matching()],
        differences: vec![difference()],
        level_trend_db_per_take: Some(-0.012),
        tests: vec![test],
        cautions: Vec::new(),
        audit: Some(AuditView { ok: true, records: 94, head_sha256: "a7".repeat(32), problems: Vec::new() }),
        versions: vec![("program".to_owned(), "cabjury 0.1.0".to_owned())],
    }
}

const ORDER: [&str; 8] = ["s16", "p4", "p4", "s16", "p4", "s16", "s16", "p4"];

fn takes() -> Vec<TakeView> {
    ORDER
        .iter()
        .enumerate()
        .map(|(i, setup)| TakeView {
            take: format!("t{:03}", i + 2),
            setup: (*setup).to_owned(),
            mic: "close-a".to_owned(),
            pass: u32::try_from(i + 1).unwrap(),
            level_lufs: Some(if *setup == "s16" { -21.3 } else { -20.4 } - 0.02 * i as f64),
            findings: Vec::new(),
            sha256: format!("{i:064x}"),
            withdrawn: None,
        })
        .collect()
}

fn matching() -> MatchView {
    let clips = ORDER
        .iter()
        .enumerate()
        .map(|(i, setup)| ClipView {
            clip: format!("c{:03}", i + 1),
            setup: (*setup).to_owned(),
            take: format!("t{:03}", i + 2),
            mic: "close-a".to_owned(),
            gain_db: if *setup == "s16" { 0.0 } else { -0.94 },
            lag_samples: 12.25 + i as f64,
            before_lufs: Some(if *setup == "s16" { -21.34 } else { -20.40 }),
            after_lufs: Some(-21.34),
            true_peak_dbtp: Some(-6.2),
        })
        .collect();
    MatchView { run: 1, as_recorded: false, largest_mismatch_lu: Some(0.004), ceiling_dbtp: -1.0, clips }
}

fn difference() -> DifferenceView {
    // The measured curve follows the predicted one with a wobble, as recordings do.
    let bands = (-11..=8)
        .map(|n| {
            let hz = 1000.0 * 10f64.powf(f64::from(n) / 10.0);
            let predicted = -1.3 * (hz / 400.0).log10() - 3.0 * (-((hz / 95.0).ln() * 3.0).powi(2)).exp();
            BandView {
                hz,
                between_db: Some(predicted + 0.1 * f64::from(n).sin()),
                repeat_db: Some(0.16 + 0.05 * f64::from(n % 3).abs()),
                predicted_db: Some(predicted),
            }
        })
        .collect();
    DifferenceView {
        first: "s16".to_owned(),
        second: "p4".to_owned(),
        mic: "close-a".to_owned(),
        level_lu: Some(0.94),
        above_floor: Some(true),
        bands,
        predicted_for: Some("what driver A gets, p4 against s16".to_owned()),
    }
}
