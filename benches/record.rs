//! Recording against its deadlines: `cargo bench --bench record`. The peer is the deadline itself: how many times it fits.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and prints its table"
)]

mod kept;

use cabjury::sound::deck::{Channels, Deck, Material, Timing};
use cabjury::sound::tape::{SampleForm, Tape};
use cabjury::units::SampleRate;
use kept::kept;
use std::time::{Duration, Instant};

const RATE: u32 = 96_000;
const INPUTS: usize = 8;
const OUTPUTS: usize = 2;
const FRAMES: usize = 64;

fn quantile(times: &mut [Duration], q: f64) -> Duration {
    times.sort();
    times[((times.len() - 1) as f64 * q).round() as usize]
}

fn main() {
    let rate = SampleRate::new(RATE).unwrap();
    let di: Vec<f32> = (0..30 * RATE as usize).map(|n| 0.4 * (n as f32 * 0.02).sin()).collect();
    let timing = Timing { lead: 0, gap: 0, count_in: u64::from(RATE), tail: u64::from(RATE) };
    let channels = Channels { outputs: OUTPUTS, reamp: 0, inputs: INPUTS, taken: (0..INPUTS).collect() };
    let material = Material { di: di.into(), burst: Vec::new().into(), timing };
    let total = material.frames() as usize;
    let Deck { mut player, mut taker, shared, mut ring } = Deck::new(rate, &channels, &material);
    shared.set_gain(0.5);
    shared.roll(false);

    // Both callbacks of one buffer, over a whole pass; the ring is emptied in between.
    let input: Vec<f32> = (0..FRAMES * INPUTS).map(|n| 0.3 * (n as f32 * 0.37).sin()).collect();
    let (mut out, mut bin) = ([0.0f32; FRAMES * OUTPUTS], vec![0.0; FRAMES * INPUTS]);
    let mut times = Vec::with_capacity(total / FRAMES);
    for _ in 0..total / FRAMES {
        let start = Instant::now();
        player.render(&mut out);
        taker.take(&input);
        times.push(start.elapsed());
        let _ = ring.pop_entire_slice(&mut bin);
    }
    let deadline = Duration::from_secs_f64(FRAMES as f64 / f64::from(RATE));
    for (name, q) in [("median", 0.5), ("99.9 %", 0.999)] {
        let time = quantile(&mut times, q);
        let share = 100.0 * time.as_secs_f64() / deadline.as_secs_f64();
        kept(&format!("callbacks of 8 inputs and 2 outputs {name}"), time.as_secs_f64() * 1e6, "us");
        println!(
            "callbacks, 8 in 2 out, 64 frames at 96 kHz, {name:<8} {:>8.2} us  {share:>5.2} % of their time",
            time.as_secs_f64() * 1e6
        );
    }

    // The writer's work: a minute of eight mics, synced at its end.
    let dir = tempfile::tempdir().unwrap();
    let mut tapes: Vec<Tape> =
        (0..INPUTS).map(|k| Tape::create(&dir.path().join(format!("{k}.wav")), rate, SampleForm::Int24).unwrap()).collect();
    let block: Vec<f32> = (0..4096 * INPUTS).map(|n| 0.3 * (n as f32 * 0.013).sin()).collect();
    let seconds = 60;
    let start = Instant::now();
    for _ in 0..seconds * RATE as usize / 4096 {
        for (k, tape) in tapes.iter_mut().enumerate() {
            tape.write(block.iter().skip(k).step_by(INPUTS).copied()).unwrap();
        }
    }
    let written = start.elapsed();
    tapes.into_iter().for_each(|t| drop(t.finish().unwrap()));
    let synced = start.elapsed();
    let times = |t: Duration| seconds as f64 / t.as_secs_f64();
    kept("writer of 8 mics at 96 kHz", times(written), "x");
    println!(
        "writer, 8 mics at 96 kHz, 24 bit: {:>6.1} times real time, {:>6.1} with the sync at the end",
        times(written),
        times(synced)
    );
}
