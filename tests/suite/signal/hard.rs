//! Hard material by the grid: a few of its points here, all of them by `tests/long hard`, which prints the table of hits and false alarms.
//! Truth is what was put in.

use super::placing::{cab, driven, riff, taken};
use crate::material::{self, Noise};
use cabjury::signal::inspect::{Mark, across, held, repeated, siblings};
use cabjury::signal::placing::{Relation, place};
use cabjury::units::SampleRate;

const RATE: u32 = 48_000;

fn rate() -> SampleRate {
    SampleRate::new(RATE).unwrap()
}

/// One of the real recordings, its channels' mean.
pub(super) fn real(which: usize) -> Vec<f64> {
    let (name, _) = material::RECORDINGS[which % material::RECORDINGS.len()];
    let (audio, _) = cabjury::sound::read_all(&material::recording(name)).unwrap();
    cabjury::signal::align::mono(audio.channels()).iter().map(|v| f64::from(*v)).collect()
}

fn all() -> bool {
    std::env::var_os("CABJURY_HARD").is_some()
}

/// Clocks by length, cab and repeat: what is found lies within what is stated, and no clock is found where there is one alone.
#[test]
fn clocks_by_length() {
    let (lengths, clocks): (&[f64], &[f64]) = if all() {
        (&[4.0, 6.0, 10.0, 20.0, 45.0, 90.0], &[-150.0, -80.0, -20.0, -5.0, 0.0, 2.0, 20.0, 80.0, 150.0])
    } else {
        (&[5.0, 12.0], &[0.0, 80.0])
    };
    let (mut wrong, mut false_clocks, mut tried) = (Vec::new(), 0, 0);
    for seconds in lengths {
        let amp = driven(&riff(*seconds), 8.0);
        let (one, two) = (cab(&amp, 0), cab(&amp, 1));
        for ppm in clocks {
            for (second, relation, floor) in [(&one, Relation::SameRig, 0.2), (&two, Relation::OtherRig, 1.0)] {
                tried += 1;
                let (a, b) = (taken(&one, 0.0, 0.0, -64.0, 5), taken(second, 700.25, *ppm, -64.0, 6));
                let found = place(&a, &b, rate(), relation).unwrap();
                let off = (found.correct.unwrap_or(0.0) - ppm).abs();
                let within = found.drift_within.unwrap_or(0.0);
                println!(
                    "{seconds:4} s {ppm:6} ppm {relation:?}: {:?} +-{within:.3}, lag {:.3}",
                    found.correct, found.lag.samples
                );
                if off > within.max(floor) || !found.jumps.is_empty() {
                    wrong.push((*seconds, *ppm, relation, found.correct));
                }
                false_clocks += usize::from(*ppm == 0.0 && found.correct.is_some());
            }
        }
    }
    println!("{tried} pairs, {} outside what was stated, {false_clocks} clocks where there is one alone", wrong.len());
    assert!(wrong.is_empty() && false_clocks == 0, "{wrong:?}");
}

/// Damages from one sample to 4096, on one of four takes; each is counted as found when its own take is marked and no other is.
#[test]
fn damages_by_size() {
    let sizes: &[usize] = if all() { &[1, 2, 8, 32, 64, 256, 1024, 4096] } else { &[1, 64, 1024] };
    let seeds: u64 = if all() { 6 } else { 1 };
    let base = cab(&driven(&riff(8.0), 6.0), 0);
    let mut missed = Vec::new();
    for kind in ["dropped", "doubled", "held", "repeated", "silent", "click"] {
        for size in sizes {
            for seed in 0..seeds {
                let mut takes: Vec<Vec<f32>> = (0..4).map(|i| taken(&base, 300.0, 0.0, -66.0, 100 * seed + i)).collect();
                // A place where music sounds.
                let mut noise = Noise(7 * seed + *size as u64);
                let at = (RATE as usize) * 3 + ((noise.next() + 1.0) * 40_000.0) as usize;
                let x = &mut takes[2];
                let part = x[at..at + size].to_vec();
                match kind {
                    "dropped" => drop(x.drain(at..at + size)),
                    "doubled" => drop(x.splice(at..at, part)),
                    "repeated" => x[at + size..at + 2 * size].copy_from_slice(&part),
                    "held" => x[at..at + size].fill(part[0]),
                    "silent" => x[at..at + size].fill(0.0),
                    _ => x[at..at + size].iter_mut().for_each(|v| *v += 0.1),
                }
                let len = takes.iter().map(Vec::len).min().unwrap();
                let jumps = place(&takes[0], &takes[2], rate(), Relation::SameRig).unwrap().jumps;
                let (exact, seen) = (
                    held(&takes[2]).len() + repeated(&takes[2]).len(),
                    siblings(&takes.iter().map(|t| &t[..len]).collect::<Vec<_>>(), rate()),
                );
                let others = seen.iter().enumerate().filter(|(i, s)| *i != 2 && !s.is_empty()).count();
                let found = !jumps.is_empty() || exact > 0 || !seen[2].is_empty();
                println!(
                    "{kind:9} {size:5} seed {seed}: jumps {}, exact {exact}, marks {:?}, others {others}",
                    jumps.len(),
                    seen[2].iter().map(|s| s.mark).collect::<Vec<_>>()
                );
                // What one held, repeated or silent sample in the midst of a slow wave changes is less than the takes differ by.
                let tiny = *size < 8 && matches!(kind, "held" | "repeated" | "silent");
                let shifts = matches!(kind, "dropped" | "doubled");
                if !found && !tiny || shifts && jumps.len() != 1 || !shifts && others > 0 {
                    missed.push((kind, *size, seed));
                }
            }
        }
    }
    assert!(missed.is_empty(), "{missed:?}");
}

/// Takes that nothing was done to: no stop at all, and under two in a hundred with a warning.
#[test]
fn clean_takes_by_the_dozen() {
    let rounds: u64 = if all() { 50 } else { 3 };
    let (mut warned, mut stopped, mut takes) = (0, 0, 0);
    for round in 0..rounds {
        // Every second round is a real guitar through the amplifier and a cab; its clock is taken for 48 kHz.
        let play = if round % 2 == 0 { riff(5.0 + (round % 7) as f64) } else { real(round as usize / 2) };
        let play = material::gain(&play, -(round as f64 % 9.0));
        let base = cab(&driven(&play, 3.0 + 2.0 * (round % 6) as f64), (round % 2) as usize);
        let all: Vec<Vec<f32>> = (0..4)
            .map(|i| {
                taken(&material::gain(&base, 0.05 * i as f64), 100.0, 0.0, -72.0 + (round % 5) as f64 * 3.0, 1000 * round + i)
            })
            .collect();
        let found = siblings(&all.iter().map(Vec::as_slice).collect::<Vec<_>>(), rate());
        takes += 4;
        warned += found.iter().filter(|f| !f.is_empty()).count();
        stopped += found.iter().flatten().filter(|s| s.sure && !matches!(s.mark, Mark::Differs | Mark::LevelTrend)).count();
        stopped += all.iter().map(|x| held(x).len() + repeated(x).len()).sum::<usize>();
        stopped += place(&all[0], &all[1], rate(), Relation::SameRig).unwrap().jumps.len();
        // The same take as if it had no siblings, against another cab's and the DI.
        let amp = driven(&play, 3.0 + 2.0 * (round % 6) as f64);
        let (other, di) = (
            taken(&cab(&amp, 1 - (round % 2) as usize), 100.0, 0.0, -70.0, 1000 * round + 9),
            taken(&play, 100.0, 0.0, -90.0, 5),
        );
        let alone = across(&all[0], &[&other], rate());
        warned += usize::from(!alone.is_empty());
        stopped += alone.iter().filter(|s| s.sure && matches!(s.mark, Mark::Hole | Mark::Click)).count();
        stopped += across(&all[0], &[&di], rate()).iter().filter(|s| s.mark == Mark::Hole).count();
    }
    println!("{takes} clean takes: {stopped} stops, {warned} with a mark");
    assert_eq!(stopped, 0);
    assert!(50 * warned <= takes, "{warned} of {takes}");
}
