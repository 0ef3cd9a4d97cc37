//! What the audio threads run, sample by sample, and a sitting at a device that is a cable.

use crate::material::Noise;
use assert_no_alloc::{assert_no_alloc, reset_violation_count, violation_count};
use cabjury::sound::deck::{CEILING, Channels, Deck, Material, Phase, Timing};
use cabjury::sound::device::{DeviceError, Render};
use cabjury::sound::duplex::{Capture, Coming, DuplexConfig, DuplexDevice, DuplexRunning, Health};
use cabjury::sound::read_all;
use cabjury::sound::recorder::{Layout, Passed, Recorder, Void};
use cabjury::sound::tape::SampleForm;
use cabjury::units::SampleRate;
use std::path::Path;
use std::sync::Arc;

const RATE: u32 = 48_000;

/// Noise on the 24-bit grid, so that what comes back can be compared bit by bit.
fn di(frames: usize) -> Arc<[f32]> {
    let mut noise = Noise(5);
    (0..frames).map(|_| ((0.4 * noise.next() * 8_388_608.0).round() / 8_388_608.0) as f32).collect()
}

fn material(frames: usize, burst: usize) -> Material {
    let timing = Timing { lead: 4800, gap: 4800, count_in: 4801, tail: 4800 };
    Material { di: di(frames), burst: di(burst), timing }
}

fn channels() -> Channels {
    Channels { outputs: 2, reamp: 1, inputs: 3, taken: vec![0, 2] }
}

/// A device that is a cable: what was played comes back `late` frames later at inputs 0 and 2, at the second with its sign turned.
#[derive(Clone)]
struct Cable {
    block: usize,
    late: usize,
    fails: Option<(u64, Health)>,
}

struct Plugged {
    cable: Cable,
    play: Render,
    capture: Capture,
    line: Vec<f32>,
    frame: u64,
    health: Health,
}

impl DuplexRunning for Plugged {
    fn health(&self) -> Health {
        self.health
    }
    fn advance(&mut self) -> bool {
        if self.health.lost {
            return true;
        }
        let n = self.cable.block;
        let mut out = vec![9.0; 2 * n];
        (self.play)(&mut out);
        assert!(out.chunks_exact(2).all(|f| f[0] == 0.0), "the other output is not silent");
        self.line.extend(out.chunks_exact(2).map(|f| f[1]));
        let taken: Vec<f32> = self.line[..n].iter().flat_map(|v| [*v, 0.7, -*v]).collect();
        self.line.drain(..n);
        (self.capture)(&taken);
        self.frame += n as u64;
        if let Some((at, health)) = self.cable.fails
            && self.frame > at
        {
            self.health = health;
        }
        true
    }
}

impl DuplexDevice for Cable {
    fn name(&self) -> String {
        "cable".to_owned()
    }
    fn start(&self, config: &DuplexConfig, play: Render, capture: Capture) -> Result<Box<dyn DuplexRunning>, DeviceError> {
        assert_eq!((config.outputs, config.inputs), (2, 3));
        let line = vec![0.0; self.late];
        Ok(Box::new(Plugged { cable: self.clone(), play, capture, line, frame: 0, health: Health::default() }))
    }
}

fn sit(cable: &Cable, material: Material) -> Recorder {
    let layout =
        Layout { rate: SampleRate::new(RATE).unwrap(), channels: channels(), material, form: SampleForm::Int24, buffer: None };
    let recorder = Recorder::start(cable, layout).unwrap();
    recorder.set_level(0.0);
    recorder
}

fn files(dir: &Path, n: u32) -> Vec<std::path::PathBuf> {
    ["a", "b"].iter().map(|m| dir.join(format!("pass-{n}-{m}.wav"))).collect()
}

fn roll(recorder: &mut Recorder, dir: &Path, n: u32, lead: bool) -> Result<Passed, Void> {
    recorder.roll(&files(dir, n), &Coming { pass: n, attempt: 1, setup: "one".to_owned() }, lead).unwrap();
    for _ in 0..1_000_000 {
        if let Some(over) = recorder.tick() {
            return over;
        }
    }
    panic!("the pass never ends")
}

#[test]
fn what_is_recorded_is_what_was_played_and_lies_where_the_counts_say() {
    for (block, late, lead, burst) in [(64, 64, false, 0), (480, 960, true, 0), (333, 1000, false, 2400), (2048, 2048, true, 0)] {
        let dir = tempfile::tempdir().unwrap();
        let material = material(30_000, burst);
        let (di, total) = (Arc::clone(&material.di), material.frames() as usize);
        let mut recorder = sit(&Cable { block, late, fails: None }, material);
        for n in 1..=2 {
            let passed = roll(&mut recorder, dir.path(), n, lead && n == 1).unwrap();
            let (first, _) = read_all(&passed.files[0]).unwrap();
            let (second, _) = read_all(&passed.files[1]).unwrap();
            assert_eq!(first.frames(), total);
            let x = &first.channels()[0];
            // The device hands a block in and gets one out in the same call: the cable's delay is all there is besides.
            let from = usize::try_from(passed.di_at).unwrap() + late;
            assert_eq!(x[from..from + di.len()], di[..], "block {block}, pass {n}");
            // A fade-in that came before is no part of the take, but for what the cable still held; the count-in is silent.
            assert!(x[late..4801].iter().all(|v| *v == 0.0), "block {block}: the count-in is not silent");
            assert!(second.channels()[0].iter().zip(x).all(|(b, a)| *b == -*a), "the second input is another");
        }
        assert!(std::fs::read_dir(dir.path()).unwrap().count() == 4, "something was left behind");
    }
}

#[test]
fn both_halves_allocate_nothing() {
    let Deck { mut player, mut taker, shared, mut ring } =
        Deck::new(SampleRate::new(RATE).unwrap(), &channels(), &material(20_000, 100));
    shared.set_gain(0.5);
    let (mut out, input) = (vec![0.0; 2 * 512], vec![0.1; 3 * 512]);
    reset_violation_count();
    for step in 0..400 {
        match step {
            5 => assert!(shared.loop_di()),
            50 => shared.stop(),
            60 => assert!(shared.roll(true)),
            _ => {}
        }
        for n in [512usize, 64, 1] {
            assert_no_alloc(|| {
                player.render(&mut out[..2 * n]);
                taker.take(&input[..3 * n]);
            });
        }
        while ring.pop().is_ok() {}
        assert_no_alloc(|| shared.frames());
    }
    assert_eq!(violation_count(), 0, "a callback allocated");
    assert_eq!(shared.phase(), Phase::Done, "the pass never ended");
    // That the counter counts:
    assert_no_alloc(|| drop(std::hint::black_box(vec![1u8; 100])));
    assert!(violation_count() > 0);
    reset_violation_count();
}

#[test]
fn nothing_sounds_by_itself_and_a_stop_is_quick() {
    let Deck { mut player, mut taker, shared, .. } = Deck::new(SampleRate::new(RATE).unwrap(), &channels(), &material(20_000, 0));
    shared.set_gain(1.0);
    let mut out = vec![9.0; 2 * 4800];
    player.render(&mut out);
    taker.take(&vec![0.5; 3 * 4800]);
    assert!(out.iter().all(|v| *v == 0.0), "it sounds before anybody asked");
    shared.loop_di();
    player.render(&mut out);
    assert!(out.iter().any(|v| *v != 0.0));
    shared.stop();
    player.render(&mut out);
    // 5 ms are 240 frames.
    assert!(out[2 * 240..].iter().all(|v| *v == 0.0), "it sounds on after a stop");
    player.render(&mut out);
    assert_eq!(shared.phase(), Phase::Idle);
    // A pass that is stopped in its fade-in never becomes a recording.
    shared.roll(true);
    player.render(&mut out[..2 * 100]);
    shared.stop();
    player.render(&mut out);
    taker.take(&vec![0.5; 3 * 4800]);
    assert_eq!((shared.phase(), shared.progress().0), (Phase::Idle, 0));
}

#[test]
fn the_fade_in_rises_and_the_limiter_ends_at_its_ceiling() {
    let loud: Arc<[f32]> = vec![1.5f32; 20_000].into();
    let timing = Timing { lead: 4800, gap: 0, count_in: 0, tail: 0 };
    let Deck { mut player, shared, .. } =
        Deck::new(SampleRate::new(RATE).unwrap(), &channels(), &Material { di: loud, burst: Vec::new().into(), timing });
    shared.set_gain(1.0);
    let mut out = vec![0.0; 2 * 4800];
    shared.roll(true);
    player.render(&mut out);
    let right: Vec<f32> = out.chunks_exact(2).map(|f| f[1]).collect();
    assert!(right[..480].iter().all(|v| *v < 0.16), "it begins loud: {}", right[479]);
    assert!(right.windows(2).all(|w| w[1] >= w[0] - 1e-6), "it does not rise");
    assert!(right.iter().all(|v| *v <= CEILING), "it is above its ceiling");
    assert!(right[4799] == CEILING && shared.limited() > 0, "nothing was limited, or it was not counted");
}

#[test]
fn a_pass_that_went_wrong_is_void_with_its_reason() {
    let health = |lost, under_runs, over_runs| Health { lost, under_runs, over_runs };
    for (fails, wanted) in
        [(health(false, 2, 0), Void::UnderRun(2)), (health(false, 0, 1), Void::OverRun(1)), (health(true, 0, 0), Void::Lost)]
    {
        let dir = tempfile::tempdir().unwrap();
        let mut recorder = sit(&Cable { block: 256, late: 256, fails: Some((15_000, fails)) }, material(30_000, 0));
        assert_eq!(roll(&mut recorder, dir.path(), 1, false), Err(wanted.clone()));
        let names: Vec<String> =
            std::fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        assert!(names.len() == 2 && names.iter().all(|n| n.ends_with(".unfinished.wav")), "{wanted}: {names:?}");
        for name in names {
            let (audio, _) = read_all(&dir.path().join(name)).unwrap();
            assert!(audio.frames() > 10_000, "what there was cannot be read");
        }
    }
}

#[test]
fn a_limited_pass_and_a_stopped_one_do_not_count() {
    let dir = tempfile::tempdir().unwrap();
    let mut loud = material(30_000, 0);
    loud.di = loud.di.iter().map(|v| v * 3.0).collect();
    let mut recorder = sit(&Cable { block: 256, late: 256, fails: None }, loud);
    assert!(matches!(roll(&mut recorder, dir.path(), 1, false), Err(Void::Limited(n)) if n > 100));
    // Stopped by hand: nothing half is left.
    recorder.roll(&files(dir.path(), 2), &Coming { pass: 2, attempt: 1, setup: "one".to_owned() }, false).unwrap();
    let mut over = None;
    for tick in 0..100_000 {
        if tick == 40 {
            recorder.stop();
        }
        over = recorder.tick();
        if over.is_some() {
            break;
        }
    }
    assert_eq!(over, Some(Err(Void::Stopped)));
    let second = |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().to_string_lossy().contains("pass-2");
    assert!(!std::fs::read_dir(dir.path()).unwrap().any(second), "something half is left");
    // And the next pass is whole.
    recorder.set_level(-12.0);
    assert!(roll(&mut recorder, dir.path(), 3, false).is_ok());
}

#[test]
fn a_writer_that_does_not_keep_up_is_noticed() {
    let Deck { mut player, mut taker, shared, ring } =
        Deck::new(SampleRate::new(RATE).unwrap(), &channels(), &material(30 * RATE as usize, 0));
    shared.roll(false);
    let (mut out, input) = (vec![0.0; 2 * 4800], vec![0.1; 3 * 4800]);
    // Nobody empties the ring: 8 s fit.
    for _ in 0..100 {
        taker.take(&input);
        player.render(&mut out);
    }
    assert!(shared.ring_full() && shared.phase() == Phase::Done);
    drop(ring);
}

#[test]
fn two_clocks_are_told_apart_by_their_counts() {
    // The input's callbacks come 100 ppm more often than the output's.
    struct TwoClocks(Render, Capture, f64);
    impl DuplexRunning for TwoClocks {
        fn health(&self) -> Health {
            Health::default()
        }
        fn advance(&mut self) -> bool {
            let mut out = vec![0.0; 2 * 4800];
            (self.0)(&mut out);
            self.2 += 4800.0 * (1.0 + 100e-6);
            let n = self.2.floor();
            self.2 -= n;
            (self.1)(&vec![0.0; 3 * n as usize]);
            true
        }
    }
    struct Pair;
    impl DuplexDevice for Pair {
        fn name(&self) -> String {
            "pair".to_owned()
        }
        fn start(&self, _: &DuplexConfig, play: Render, capture: Capture) -> Result<Box<dyn DuplexRunning>, DeviceError> {
            Ok(Box::new(TwoClocks(play, capture, 0.0)))
        }
    }
    let layout = Layout {
        rate: SampleRate::new(RATE).unwrap(),
        channels: channels(),
        material: material(100, 0),
        form: SampleForm::Int24,
        buffer: None,
    };
    let mut recorder = Recorder::start(&Pair, layout.clone()).unwrap();
    for _ in 0..600 {
        recorder.tick();
    }
    let drift = recorder.drift().unwrap();
    assert!((drift.ppm - 100.0).abs() < 1.0 && drift.within < 5.0, "{drift:?}");
    // One clock has none.
    let mut one = Recorder::start(&Cable { block: 4800, late: 4800, fails: None }, layout).unwrap();
    for _ in 0..600 {
        one.tick();
    }
    assert!(one.drift().unwrap().ppm.abs() < 0.01);
}
