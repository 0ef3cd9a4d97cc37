//! An invented report: numbers that the verdict room computes, on records that nobody measured.

use crate::trial::draws::plan;
use cabjury::model::audio::Sha256Hex;
use cabjury::model::ids::{ListenerCode, MicName, TrialId};
use cabjury::model::result::TestResult;
use cabjury::model::trial::{
    Answer, Conditions, Controls, Method, OrderRecord, Plan, SealedTest, SlotRecord, TrialCount, TrialKind, TrialRecord,
    TrialState,
};
use cabjury::model::verdict::VerdictKind;
use cabjury::report::view::{
    AuditView, BandView, ClipView, DifferenceView, MatchView, PickView, Report, ScoreView, SetupView, Stimuli, TakeView, TestView,
};
use cabjury::trial::seal;
use cabjury::verdict::judge::{Judgeable, judge};
use cabjury::verdict::trial_counts::Gathered;

/// A finished trial of an invented ABX test: X is the second setup, and B is right.
fn trial(plan: &Plan, listener: &str, kind: TrialKind, right: bool) -> TrialRecord {
    let clip = |i: usize| plan.clips[i].clip.clone();
    let slots = if kind == TrialKind::Scored { [0, 4, 5] } else { [0, 0, 0] };
    let slot = |(label, i): (&str, usize)| SlotRecord { label: label.to_owned(), clip: clip(i), anchor: false, raised: false };
    let now = jiff::Timestamp::UNIX_EPOCH;
    TrialRecord {
        id: TrialId::new("00").unwrap(),
        test: plan.test.clone(),
        listener: ListenerCode::new(listener).unwrap(),
        number: 1,
        commitment: Sha256Hex::of(b"nothing"),
        opened_at: now,
        played: "an invented device".to_owned(),
        practice: false,
        state: TrialState::Answered {
            answer: Answer { choice: if right { "B" } else { "A" }.to_owned(), confidence: None, remark: None },
            order: OrderRecord {
                kind,
                slots: ["A", "B", "X"].into_iter().zip(slots).map(slot).collect(),
                right: Some("B".to_owned()),
            },
            nonce: String::new(),
            right: Some(right),
            at: now,
            heard: Vec::new(),
        },
    }
}

/// Right ones are spread evenly over the trials.
fn hits(right: u64, of: u64) -> impl Iterator<Item = bool> {
    (0..of).map(move |n| (n + 1) * right / of > n * right / of)
}

/// What the verdict room makes of these counts, controls right in 4 of 7 and 2 of 5.
fn result(counts: &[(u64, u64)]) -> TestResult {
    let mut plan = plan(Method::Abx, &["s16", "p4"], 4, Controls { same_file: 7, repeat: 5, known: 0 });
    plan.trials = TrialCount::Fixed(u32::try_from(counts[0].1).unwrap());
    plan.listeners = u32::try_from(counts.len()).unwrap();
    plan.mic = MicName::new("close-a").unwrap();
    plan.differs = vec!["wiring: A + B against A || B".to_owned(), "tap: 16 ohm against 4 ohm".to_owned()];
    let mut trials = Vec::new();
    for (i, (right, of)) in counts.iter().enumerate() {
        let code = format!("listener-{}", i + 1);
        trials.extend(hits(*right, *of).map(|hit| trial(&plan, &code, TrialKind::Scored, hit)));
    }
    trials.extend(hits(4, 7).map(|hit| trial(&plan, "listener-1", TrialKind::SameFile, hit)));
    trials.extend(hits(2, 5).map(|hit| trial(&plan, "listener-1", TrialKind::Repeat, hit)));
    let (canonical, now) = (seal::canonical(&plan), jiff::Timestamp::UNIX_EPOCH);
    let gathered = Gathered::of(&plan, &[], &trials);
    let test = SealedTest { seal: seal::seal(&canonical), canonical, plan, sealed_at: now, closed_at: Some(now) };
    judge(&Judgeable::sound(&test, gathered))
}

/// The same as the verdict room has it, words and all.
pub(crate) fn judged(counts: &[(u64, u64)]) -> TestResult {
    let mut result = result(counts);
    // Invented answers say nothing about a listener's habits.
    result.listeners.iter_mut().for_each(|l| l.flags.clear());
    result
}

/// A scored test with so many right of so many, by listeners of equal numbers of trials, under another verdict and sentence.
pub(crate) fn test(verdict: VerdictKind, counts: &[(u64, u64)], sentence: &str) -> TestView {
    let mut result = result(counts);
    (result.verdict, result.head.void) = (verdict, 1);
    (result.sentence, result.headline) = (sentence.to_owned(), format!("{verdict} in one line"));
    if !verdict.positive() {
        result.subject = None;
    }
    // Second opinions and flags of invented answers say nothing.
    result.second_opinion = None;
    result.listeners.iter_mut().for_each(|l| {
        l.flags.clear();
        l.share_heard = None;
    });
    let score = ScoreView { result, picks: picks(counts) };
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
        controls_planned: (7, 5, 0),
        attribute: None,
        exclusion: "nobody is left out".to_owned(),
        warnings: vec!["the wiring p4 was never metered".to_owned()],
        load_reason: None,
        seal_sha256: "5e".repeat(32),
        sealed_at: "2026-03-01T20:10:00Z".to_owned(),
        closed_at: Some("2026-03-01T21:40:00Z".to_owned()),
        fate: "closed by itself, scored".to_owned(),
        score: Some(score),
        played: vec!["an invented device".to_owned()],
        answered: Some(("2026-03-01T20:12:00Z".to_owned(), "2026-03-01T21:38:00Z".to_owned())),
        replays: Some(2.4),
        takes_heard: None,
        stimuli: Some(Stimuli { seconds: 6.0, rate_hz: 48_000 }),
        conditions: Conditions::default(),
        witnessed: "Who vouches: 3 of 4 listeners hold receipts that fit.".to_owned(),
        fingerprint: Some(format!("cabjury {} test-1 {}", "5e".repeat(16), "a7".repeat(10))),
    }
}

fn picks(counts: &[(u64, u64)]) -> Vec<PickView> {
    let mut all = Vec::new();
    for (i, (right, of)) in counts.iter().enumerate() {
        for (n, hit) in (0..*of).zip(hits(*right, *of)) {
            all.push(PickView {
                listener: format!("listener-{}", i + 1),
                number: u32::try_from(n + 1).unwrap(),
                kind: "trial".to_owned(),
                scored: true,
                seq: Some(i64::try_from(all.len()).unwrap()),
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
        given_up: Vec::new(),
        audience: Vec::new(),
        montages: Vec::new(),
        votes: Vec::new(),
        cautions: Vec::new(),
        audit: Some(AuditView {
            ok: true,
            records: 94,
            head_sha256: "a7".repeat(32),
            unverified_files: 0,
            problems: Vec::new(),
            witnesses: "test-1: Who vouches: 3 of 4 listeners hold receipts that fit.".to_owned(),
        }),
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
            whole_lufs: Some(if *setup == "s16" { -22.1 } else { -21.2 } - 0.02 * i as f64),
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
        estimate: None,
        bands,
        predicted_for: Some("what driver A gets, p4 against s16".to_owned()),
    }
}
