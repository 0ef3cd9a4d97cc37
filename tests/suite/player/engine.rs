//! The engine sample by sample.

use crate::material::Noise;
use assert_no_alloc::{assert_no_alloc, reset_violation_count, violation_count};
use cabjury::signal::fades;
use cabjury::sound::engine::{Engine, Shared};
use proptest::prelude::*;
use std::sync::Arc;

const FADE: usize = 480;

/// Interleaved stereo noise that is never zero, so that silence is seen.
pub(super) fn slot(seed: u64, frames: usize) -> Vec<f32> {
    let mut noise = Noise(seed);
    (0..2 * frames).map(|_| (0.3 + 0.2 * noise.next()) as f32).collect()
}

pub(super) fn engine(slots: Vec<Vec<f32>>) -> (Engine, Arc<Shared>, rtrb::Consumer<(u64, u64)>) {
    Engine::new(slots, fades::rising(FADE))
}

fn render(engine: &mut Engine, frames: usize) -> Vec<f32> {
    let mut out = vec![9.0; 2 * frames];
    engine.render(&mut out);
    out
}

/// Left-channel gain of what was rendered against the slot, frame by frame from a position.
fn gains(out: &[f32], slot: &[f32], from: usize) -> Vec<f32> {
    let frames = slot.len() / 2;
    out.chunks_exact(2).enumerate().map(|(i, f)| f[0] / slot[2 * ((from + i) % frames)]).collect()
}

#[test]
fn nothing_asked_nothing_sounds() {
    let (mut engine, _, _) = engine(vec![slot(1, 48_000)]);
    assert!(render(&mut engine, 5000).iter().all(|x| *x == 0.0));
}

#[test]
fn every_switch_has_the_same_envelope_also_to_itself() {
    let frames = 48_000;
    let slots = vec![slot(1, frames), slot(2, frames)];
    let mut envelopes = Vec::new();
    for (from, to) in [(0, 1), (0, 0), (1, 0), (1, 1)] {
        let (mut engine, shared, _) = engine(slots.clone());
        shared.ask(Some(from));
        // Start: what would be a fade-out of silence, the gap, the fade-in, and then the clip as it is, bit by bit.
        render(&mut engine, 3 * FADE);
        let steady = render(&mut engine, 5000);
        let at = 3 * FADE;
        assert!(gains(&steady, &slots[from], at).iter().all(|g| (g - 1.0).abs() < 1e-6));
        assert_eq!(&steady[..], &slots[from][2 * at..2 * (at + 5000)], "what sounds is not the clip bit by bit");
        shared.ask(Some(to));
        let switch = render(&mut engine, 3 * FADE + 100);
        let at = at + 5000;
        let fall = gains(&switch[..2 * FADE], &slots[from], at);
        let rise = gains(&switch[4 * FADE..], &slots[to], at + 2 * FADE);
        let table = fades::rising(FADE);
        assert!(
            fall.iter().zip(table.iter().rev()).all(|(g, t)| (g - t).abs() < 1e-5),
            "{from} to {to}: the fade-out is another"
        );
        assert!(switch[2 * FADE..4 * FADE].iter().all(|x| *x == 0.0), "{from} to {to}: the gap is not silent");
        assert!(rise[..FADE].iter().zip(&table).all(|(g, t)| (g - t).abs() < 1e-5), "{from} to {to}: the fade-in is another");
        assert!(rise[FADE..].iter().all(|g| (g - 1.0).abs() < 1e-6), "{from} to {to}: the position did not run on");
        let envelope: Vec<i32> = fall.iter().chain(&rise).map(|g| (g * 1e4).round() as i32).collect();
        envelopes.push(envelope);
    }
    assert!(envelopes.windows(2).all(|w| w[0] == w[1]), "two kinds of switch have two envelopes");
}

#[test]
fn two_slots_of_one_file_null_exactly() {
    let file = slot(3, 30_000);
    let run = |switches: [usize; 4]| {
        let (mut engine, shared, _) = engine(vec![file.clone(), file.clone()]);
        switches
            .iter()
            .flat_map(|s| {
                shared.ask(Some(*s));
                render(&mut engine, 7001)
            })
            .collect::<Vec<f32>>()
    };
    assert_eq!(run([0, 0, 0, 0]), run([1, 0, 1, 1]));
}

#[test]
fn the_loop_seam_is_faded_alike_for_all() {
    let frames = 10_000;
    let slots = vec![slot(1, frames), slot(2, frames)];
    let seam = |s: usize| {
        let (mut engine, shared, _) = engine(slots.clone());
        shared.ask(Some(s));
        let out = render(&mut engine, 3 * frames);
        gains(&out, &slots[s], 0).into_iter().skip(frames - 600).take(1200).map(|g| (g * 1e4).round() as i32).collect::<Vec<_>>()
    };
    let (first, second) = (seam(0), seam(1));
    assert_eq!(first, second);
    assert!(first[600] < 100 && first[599] < 100, "the seam is not faded to nothing: {} {}", first[599], first[600]);
}

#[test]
fn a_chosen_part_is_looped_with_faded_seams_from_the_next_switch_on() {
    // A ramp: without a fade the seam would be a step of 0.3.
    let file: Vec<f32> = (0..9_600).flat_map(|n| [n as f32 / 9_600.0; 2]).collect();
    let (mut engine, shared, _) = engine(vec![file.clone(), file]);
    shared.ask(Some(0));
    render(&mut engine, 4 * 480);
    shared.loop_part(Some((2_000, 5_000)));
    let before = shared.position();
    render(&mut engine, 100);
    assert_eq!(shared.position(), before + 100, "nothing happens before the switch");
    for asked in [1, 0] {
        shared.ask(Some(asked));
        // Fade out, silence, fade in, and three times round.
        let out = render(&mut engine, 3 * 480 + 9_000);
        let position = shared.position() as usize;
        assert!((2_000..5_000).contains(&position), "{position} lies outside the part");
        let left: Vec<f32> = out.iter().step_by(2).copied().collect();
        let step = left.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0f32, f32::max);
        assert!(step < 0.005, "a step of {step} at a seam");
    }
    // A part that leaves no room for its fades is passed over.
    shared.loop_part(Some((100, 600)));
    shared.ask(Some(0));
    render(&mut engine, 3 * 480 + 9_600);
    assert!(shared.position() < 9_600);
    shared.loop_part(None);
}

#[test]
fn what_sounded_is_counted_by_request() {
    let (mut engine, shared, mut ended) = engine(vec![slot(1, 48_000), slot(2, 48_000)]);
    let first = shared.ask(Some(0));
    render(&mut engine, 2 * FADE + 1000);
    assert_eq!(shared.now(), Some((first, 1000)));
    let second = shared.ask(Some(1));
    render(&mut engine, FADE + FADE + 50);
    assert_eq!(ended.pop().unwrap(), (first, 1000 + FADE as u64));
    assert_eq!(shared.now(), Some((second, 50)));
    shared.ask(None);
    render(&mut engine, 3 * FADE);
    assert_eq!(shared.now(), None);
}

#[test]
fn the_audio_thread_allocates_nothing() {
    let (mut engine, shared, _ended) = engine(vec![slot(1, 4000), slot(2, 4000), slot(3, 4000)]);
    let mut out = vec![0.0; 2 * 256];
    reset_violation_count();
    for k in 0..6000 {
        if k % 7 == 0 {
            shared.ask(if k % 35 == 0 { None } else { Some(k % 3) });
        }
        assert_no_alloc(|| engine.render(&mut out));
    }
    assert_eq!(violation_count(), 0);
    // Proof that the count works.
    assert_no_alloc(|| drop(vec![1u8; 100]));
    assert!(violation_count() > 0, "an allocation was not counted: this test cannot fail");
}

proptest! {
    #[test]
    fn any_sequence_of_keys_keeps_the_envelope_smooth(keys in prop::collection::vec((0usize..3, 1usize..3000), 1..20)) {
        let slots = vec![vec![0.5f32; 40_000], vec![0.5; 40_000], vec![0.5; 40_000]];
        let (mut engine, shared, _) = engine(slots);
        let mut out = Vec::new();
        for (key, frames) in keys {
            shared.ask(Some(key));
            out.extend(render(&mut engine, frames));
        }
        // The largest step of a 10 ms raised cosine on 0.5 is 0.0016; turning round in a fade adds nothing.
        let steepest = out.chunks_exact(2).map(|f| f[0]).collect::<Vec<_>>().windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
        prop_assert!(steepest < 0.0034, "a step of {steepest}");
    }
}
