//! The inspector on an evening of takes: one damage of each kind is found, and nothing else is. Truth is what was put in.

use super::placing::{cab, driven};
use crate::material;
use cabjury::signal::inspect::{Mark, Seen, held, repeated, siblings};
use cabjury::units::SampleRate;

const RATE: u32 = 48_000;

/// Takes of one setup: the same amplifier and hands that differ by a little, each with its own noise.
fn takes(count: usize, seed: u64) -> Vec<Vec<f32>> {
    let riff = material::riff_by_clock(8.0, RATE, 0.0);
    let base = cab(&driven(&riff, 6.0), 0);
    (0..count)
        .map(|i| {
            let x = material::gain(&base, 0.1 * i as f64);
            material::noisy(&x, -66.0, seed + i as u64).iter().map(|v| *v as f32).collect()
        })
        .collect()
}

fn look(takes: &[Vec<f32>]) -> Vec<Vec<Seen>> {
    let all: Vec<&[f32]> = takes.iter().map(Vec::as_slice).collect();
    siblings(&all, SampleRate::new(RATE).unwrap())
}

#[test]
fn clean_takes_have_no_marks() {
    for seed in [1, 50, 99, 1234] {
        for count in [2, 3, 6] {
            let found = look(&takes(count, seed));
            assert!(found.iter().all(Vec::is_empty), "{count} takes, {seed}: {found:?}");
        }
    }
    assert!(look(&takes(1, 7))[0].is_empty(), "one take has no sibling");
}

#[test]
fn each_damage_is_found_where_it_is_and_nothing_else() {
    type Damage = fn(&mut Vec<f32>, usize);
    let damages: [(Mark, Damage); 6] = [
        (Mark::Click, |x, at| x[at] += 0.2),
        (Mark::Click, |x, at| x[at..at + 20].iter_mut().for_each(|v| *v = -*v + 0.05)),
        (Mark::Hole, |x, at| x[at..at + 57_600].fill(1e-6)),
        (Mark::Hole, |x, at| x[at..at + 1000].fill(0.0)),
        (Mark::LevelStep, |x, at| x[at..].iter_mut().for_each(|v| *v *= 10f32.powf(-1.5 / 20.0))),
        (Mark::LevelTrend, |x, _| {
            let n = x.len() as f32;
            x.iter_mut().enumerate().for_each(|(i, v)| *v *= 10f32.powf(1.2 / 20.0 * i as f32 / n));
        }),
    ];
    let at = 3 * RATE as usize + 4_321;
    for (k, (mark, damage)) in damages.iter().enumerate() {
        for count in [2, 3, 5] {
            let mut all = takes(count, 300 + 10 * k as u64);
            damage(&mut all[1], at);
            let found = look(&all);
            let marks: Vec<Mark> = found[1].iter().map(|s| s.mark).collect();
            assert_eq!(marks, [*mark], "damage {k}, {count} takes: {found:?}");
            let seen = found[1][0];
            if *mark != Mark::LevelTrend {
                assert!(seen.at.abs_diff(at) < if *mark == Mark::LevelStep { 12_000 } else { 500 }, "damage {k}: {seen:?}");
            }
            let wanted = match k {
                4 => Some(-1.5),
                5 => Some(1.2),
                _ => None,
            };
            assert!(wanted.is_none_or(|w| (seen.size - w).abs() < 0.2), "damage {k}: {seen:?}");
            // With one sibling a level may be either's; else the others stay clean.
            let level = matches!(mark, Mark::LevelStep | Mark::LevelTrend);
            for (i, other) in found.iter().enumerate().filter(|(i, _)| *i != 1) {
                assert!(other.is_empty() || count == 2 && level && !other[0].sure, "damage {k}, take {i}: {found:?}");
            }
        }
    }
}

#[test]
fn a_buffer_that_comes_twice_and_a_sample_that_is_held() {
    let clean = takes(1, 900).remove(0);
    assert!(held(&clean).is_empty() && repeated(&clean).is_empty());
    for (length, at) in [(64usize, 100_000usize), (512, 150_001), (4096, 90_003)] {
        let mut x = clean.clone();
        let again = x[at..at + length].to_vec();
        x.splice(at + length..at + length, again);
        let found = repeated(&x);
        assert_eq!(found.len(), 1, "{length}: {found:?}");
        assert!(
            found[0].at.abs_diff(at + length) < 2 && found[0].frames.abs_diff(length) < 2 && found[0].back == length,
            "{found:?}"
        );
        let mut x = clean.clone();
        let value = x[at];
        x[at..at + length].fill(value);
        let found = held(&x);
        assert_eq!(found.len(), 1, "{length}: {found:?}");
        assert!(found[0].at.abs_diff(at) < 2 && found[0].frames.abs_diff(length) < 2, "{found:?}");
    }
    // A made tone repeats itself all the time, and a quiet one of 16 bits has steps: neither is a fault.
    let tone: Vec<f32> = (0..96_000).map(|n| ((n % 48) as f32 / 48.0 - 0.5) * 0.5).collect();
    assert!(repeated(&tone).is_empty());
    let quiet: Vec<f32> =
        (0..96_000).map(|n| ((f64::from(n) * 0.002).sin() * 1e-4 * 32_768.0).round() as f32 / 32_768.0).collect();
    assert!(held(&quiet).is_empty());
}
