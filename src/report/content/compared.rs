//! What was compared, wirings, takes, matching; and at the end cautions and versions.

use super::{Block, Section, day, section, table};
use crate::report::plots::{PlotError, levels};
use crate::report::text::{count, or_dash, percent, plain, signed};
use crate::report::view::{DRIVER_HEAD, MatchView, Report, SetupView, TakeView};

/// What was compared, and all that differs.
pub fn compared(report: &Report) -> Section {
    let mut blocks = Vec::new();
    let mut told: Vec<(Vec<&str>, String, &[String])> = Vec::new();
    for test in &report.tests {
        // Tests of the same setups share their line.
        match told.iter_mut().find(|t| t.1 == test.pair() && t.2 == test.differs) {
            Some(same) => same.0.push(&test.test),
            None => told.push((vec![&test.test], test.pair(), &test.differs)),
        }
    }
    for (tests, pair, differs) in told {
        blocks.push(Block::Text(format!("{}: {pair}. What differs between them:", tests.join(", "))));
        let nothing = || vec!["nothing that was noted".to_owned()];
        blocks.push(Block::List(if differs.is_empty() { nothing() } else { differs.to_vec() }));
    }
    if !report.drivers.is_empty() {
        blocks.push(Block::Heading("Drivers".to_owned()));
        blocks.push(table(&DRIVER_HEAD, report.drivers.clone()));
    }
    if !report.held.is_empty() {
        blocks.push(Block::Heading("Held".to_owned()));
        blocks.push(Block::Facts(report.held.clone()));
    }
    section("compared", "What was compared", blocks)
}

/// Wiring drawings, loads, meter readings.
pub fn wirings(report: &Report) -> Section {
    let wired = report.setups.iter().filter(|s| s.network.is_some());
    let mut blocks: Vec<Block> = wired.flat_map(wiring).collect();
    if !blocks.is_empty() {
        blocks.push(Block::List(AT_THE_RIG.map(str::to_owned).to_vec()));
    }
    section("wirings", "Wirings", blocks)
}

/// Cautions that stand beside the drawings, where the hands will be.
const AT_THE_RIG: [&str; 4] = [
    "Valve amplifiers hold lethal voltages, also when unplugged. Internal work is for a licensed technician.",
    "Never run a valve amplifier without its load. Power off, unplug and wait before any change of wiring or tap.",
    "Speaker cable, not instrument cable. The amplifier maker's manual and local electrical rules win over anything printed here.",
    "Use ear protection near a driven cab, or put it in another room.",
];

fn wiring(setup: &SetupView) -> Vec<Block> {
    let mut blocks = vec![Block::Heading(setup.name.clone())];
    if let Some(svg) = &setup.drawing {
        let words = format!(
            "{}: {}{}",
            setup.name,
            setup.network.as_deref().unwrap_or_default(),
            setup.tap_ohm.map_or_else(String::new, |t| format!(" on the {t} ohm tap"))
        );
        blocks.push(Block::Drawing(svg.clone(), words));
    }
    let mut facts = Vec::new();
    let mut fact = |name: &str, value: String| facts.push((name.to_owned(), value));
    if let Some(network) = &setup.network {
        fact("wiring", network.clone());
    }
    if let Some(tap) = setup.tap_ohm {
        fact("tap", format!("{tap} ohm"));
    }
    if let Some(load) = &setup.load {
        fact("rated load", load.clone());
    }
    if let Some(grade) = &setup.grade {
        fact("load on this tap", grade.replace('-', " "));
    }
    if !setup.shares.is_empty() {
        let shares: Vec<String> = setup.shares.iter().map(|(d, s)| format!("{d} {}", percent(*s))).collect();
        fact("share of the power", shares.join(", "));
    }
    for meter in &setup.meter {
        fact("ohmmeter", meter.clone());
    }
    blocks.push(Block::Facts(facts));
    if setup.grade.as_deref().is_some_and(|g| g != "matched") {
        blocks.push(Block::List(setup.reasons.clone()));
    }
    if !setup.gate.is_empty() {
        blocks.push(Block::Warning(setup.gate.join("; ")));
    }
    if !setup.cautions.is_empty() {
        blocks.push(Block::List(setup.cautions.clone()));
    }
    blocks
}

/// How many takes, and the level over the capture order.
///
/// # Errors
/// [`PlotError`] when a plot cannot be drawn.
pub fn takes(report: &Report) -> Result<Section, PlotError> {
    let mut blocks = Vec::new();
    let recorded: Vec<&TakeView> = report.takes.iter().filter(|t| t.setup != "DI").collect();
    if !recorded.is_empty() {
        let per: Vec<String> = report
            .setups
            .iter()
            .filter(|s| s.takes > 0)
            .map(|s| format!("{}: {}", s.name, count(s.takes, "take", "takes")))
            .collect();
        let fewest = report.setups.iter().filter(|s| s.takes > 0).map(|s| s.takes).min().unwrap_or(0);
        let fresh = if fewest >= 2 {
            "The hidden sample is another take of the same setup, so that nobody can know the take instead of the setup."
        } else {
            "Where a setup has one take only, the hidden sample is the reference's own file: a listener could know the take instead of the setup."
        };
        blocks.push(Block::Text(format!("{}. {fresh}", per.join("; "))));
    }
    let mut mics: Vec<&str> = Vec::new();
    for take in &recorded {
        if !mics.contains(&take.mic.as_str()) {
            mics.push(&take.mic);
        }
    }
    for (i, mic) in mics.iter().enumerate() {
        if let Some(plot) = levels(&report.takes, mic, &format!("levels-{}", i + 1))? {
            blocks.push(Block::Plot(Box::new(plot)));
        }
    }
    if let Some(trend) = report.level_trend_db_per_take {
        blocks.push(Block::Text(format!("Level trend over the capture order: {} dB per take.", signed(trend, 3))));
    }
    let withdrawn: Vec<String> = report
        .takes
        .iter()
        .filter_map(|t| t.withdrawn.as_ref().map(|why| format!("{} ({}, {}, pass {}): {why}", t.take, t.setup, t.mic, t.pass)))
        .collect();
    if !withdrawn.is_empty() {
        blocks.push(Block::Heading("Withdrawn, kept in the session".to_owned()));
        blocks.push(Block::List(withdrawn));
    }
    let findings: Vec<String> = report.takes.iter().flat_map(|t| t.findings.iter().map(|f| format!("{}: {f}", t.take))).collect();
    if !findings.is_empty() {
        blocks.push(Block::Heading("What was found in the recordings".to_owned()));
        blocks.push(Block::List(findings));
    }
    if !report.takes.is_empty() {
        blocks.push(hashes(report));
    }
    Ok(section("takes", "How many takes", blocks))
}

/// Every recording with its loudness and hash, folded.
fn hashes(report: &Report) -> Block {
    let level = |l: Option<f64>| or_dash(l.map(|l| plain(l, 2)));
    let row = |t: &TakeView| {
        vec![
            t.take.clone(),
            t.setup.clone(),
            t.mic.clone(),
            t.pass.to_string(),
            level(t.whole_lufs),
            level(t.level_lufs),
            t.sha256.clone(),
        ]
    };
    let head = ["take", "setup", "mic", "pass", "LUFS, whole file", "LUFS, excerpt", "SHA-256 of the recording"];
    let all = table(&head, report.takes.iter().map(row).collect());
    Block::Folded("All recordings with their hashes".to_owned(), vec![all])
}

/// The matching table.
pub fn matching(report: &Report) -> Section {
    section("matching", "Matching", report.matching.iter().flat_map(run).collect())
}

fn run(run: &MatchView) -> Vec<Block> {
    let what = if run.as_recorded { "levels as recorded, one common gain" } else { "loudness removed, by gain alone" };
    let mismatch = run.largest_mismatch_lu.map_or_else(String::new, |m| {
        let left = if m < 0.0005 { "under 0.001 LU".to_owned() } else { format!("{m:.3} LU") };
        let own = spread(run)
            .map_or_else(String::new, |own| format!(", and {own:.2} LU by each clip's own gate, which is what the table shows"));
        format!(" The largest difference left between two clips of one mic is {left} over the gate that they share{own}.")
    });
    let mut blocks = vec![Block::Text(format!(
        "Run {}: {what}; ceiling {} dBTP; the originals are untouched.{mismatch}",
        run.run,
        plain(run.ceiling_dbtp, 1)
    ))];
    let mut clips: Vec<_> = run.clips.iter().collect();
    clips.sort_by(|a, b| (&a.mic, &a.setup, &a.take).cmp(&(&b.mic, &b.setup, &b.take)));
    let rows: Vec<Vec<String>> = clips
        .into_iter()
        .map(|c| {
            vec![
                c.mic.clone(),
                c.setup.clone(),
                c.take.clone(),
                or_dash(c.before_lufs.map(|l| plain(l, 2))),
                signed(c.gain_db, 2),
                or_dash(c.after_lufs.map(|l| plain(l, 2))),
                or_dash(c.true_peak_dbtp.map(|l| plain(l, 2))),
                signed(c.lag_samples, 2),
            ]
        })
        .collect();
    let head = ["mic", "setup", "take", "LUFS before", "gain, dB", "LUFS after", "true peak, dBTP", "lag, samples"];
    let all = table(&head, rows.clone());
    if rows.len() > 16 {
        blocks.push(Block::Folded(format!("All {} clips", rows.len()), vec![all]));
    } else {
        blocks.push(all);
    }
    blocks
}

/// Largest difference within a mic of what the table shows: each clip's loudness by its own gate.
fn spread(run: &MatchView) -> Option<f64> {
    let of = |mic: &str| {
        let levels: Vec<f64> = run.clips.iter().filter(|c| c.mic == mic).filter_map(|c| c.after_lufs).collect();
        let low = levels.iter().copied().reduce(f64::min)?;
        Some(levels.iter().copied().fold(low, f64::max) - low)
    };
    run.clips.iter().filter_map(|c| of(&c.mic)).reduce(f64::max)
}

/// Cautions that hold whatever came out.
pub fn cautions(report: &Report) -> Section {
    let mut points = report.cautions.clone();
    if report.setups.iter().all(|s| s.network.is_none()) {
        points.extend(AT_THE_RIG.map(str::to_owned));
    }
    points.extend(
        ["Fix the listening level once, before the first trial, and keep it moderate. If your ears ring, stop."]
            .map(str::to_owned),
    );
    section("cautions", "Cautions", vec![Block::List(points)])
}

/// Versions, hashes, audit.
pub fn versions(report: &Report) -> Section {
    let mut facts = report.versions.clone();
    let mut blocks = Vec::new();
    facts.push(("report written".to_owned(), day(&report.made_at)));
    if let Some(audit) = &report.audit {
        facts.push(("records in the chained log".to_owned(), audit.records.to_string()));
        facts.push(("head of the chain, SHA-256".to_owned(), audit.head_sha256.clone()));
        facts.push(("who vouches".to_owned(), audit.witnesses.clone()));
        if audit.ok && audit.unverified_files > 0 {
            let said = format!(
                "chain, seals and commitments hold, verdicts recomputed alike; {} not in this copy and could not be looked at",
                count(audit.unverified_files as usize, "recording or clip is", "recordings and clips are")
            );
            facts.push(("audit".to_owned(), said));
        } else if audit.ok {
            facts.push(("audit".to_owned(), "hashes, chain, seals and commitments hold, verdicts recomputed alike".to_owned()));
        } else {
            let problems = audit.problems.iter().map(|(at, what)| format!("{at}: {what}")).collect();
            blocks.push(Block::Warning("The audit found something that does not hold:".to_owned()));
            blocks.push(Block::List(problems));
        }
    }
    blocks.push(Block::Facts(facts));
    section("versions", "Versions and hashes", blocks)
}
