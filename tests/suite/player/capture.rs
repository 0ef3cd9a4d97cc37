//! The sound device itself, without a sound card: ALSA's `file` plugin into a FIFO that is read at real-time rate.

use crate::material;
use crate::program::Desk;
use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

const CONFIG: &str = "pcm.null { type null }\n\
pcm.cap { type file slave.pcm \"null\" file { @func getenv vars [ CABJURY_SINK ] default \"/dev/null\" } format \"raw\" }\n\
pcm.default { type plug slave.pcm \"cap\" }\n";

/// Linux's O_NONBLOCK: the FIFO must be open for reading before the player starts.
const O_NONBLOCK: i32 = 0o4000;

struct Studio {
    child: Child,
    lines: Receiver<String>,
    sink: File,
    rate: u32,
}

impl Studio {
    fn open(desk: &Desk, rate: u32) -> Self {
        std::fs::write(desk.join("asound.conf"), CONFIG).unwrap();
        let fifo = desk.join("sink");
        assert!(Command::new("mkfifo").arg(&fifo).status().unwrap().success());
        let sink = OpenOptions::new().read(true).custom_flags(O_NONBLOCK).open(&fifo).unwrap();
        let mut child = desk
            .command(&["listen", "s", "--listener", "me", "--plain"])
            .env("ALSA_CONFIG_PATH", desk.join("asound.conf"))
            .env("CABJURY_SINK", &fifo)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (tell, lines) = channel();
        std::thread::spawn(move || out.lines().map_while(Result::ok).all(|l| tell.send(l).is_ok()));
        Self { child, lines, sink, rate }
    }

    fn say(&mut self, line: &str) {
        writeln!(self.child.stdin.as_mut().unwrap(), "{line}").unwrap();
    }

    /// Reads interleaved stereo f32 at real-time rate for a while.
    fn hear(&mut self, seconds: f64) -> Vec<f32> {
        let bytes_per_s = f64::from(self.rate) * 8.0;
        let (mut raw, began, mut buffer) = (Vec::new(), Instant::now(), [0u8; 1024]);
        while began.elapsed().as_secs_f64() < seconds {
            let due = began.elapsed().as_secs_f64() * bytes_per_s;
            if raw.len() as f64 > due {
                std::thread::sleep(Duration::from_micros(500));
                continue;
            }
            match self.sink.read(&mut buffer) {
                Ok(n) if n > 0 => raw.extend_from_slice(&buffer[..n]),
                _ => std::thread::sleep(Duration::from_millis(1)),
            }
        }
        raw.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect()
    }

    #[track_caller]
    fn hears_said(&mut self, text: &str) {
        let since = Instant::now();
        let mut all = Vec::new();
        while since.elapsed() < Duration::from_secs(90) {
            // The sink is kept flowing while waiting: the device runs on.
            self.hear(0.02);
            all.extend(self.lines.try_iter());
            if all.iter().any(|l| l.contains(text)) {
                return;
            }
        }
        panic!("{text:?} was never said: {all:?}");
    }
}

impl Drop for Studio {
    fn drop(&mut self) {
        // Best effort: the test is over either way.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn session(desk: &Desk, rate: u32) -> Vec<Vec<f32>> {
    let di = material::riff(3.4, rate);
    let two = material::peaking(&di, rate, 2_500.0, 0.7, 3.0);
    material::write_wav(&desk.join("one.wav"), rate, &material::noisy(&di, -80.0, 1));
    material::write_wav(&desk.join("two.wav"), rate, &material::noisy(&two, -80.0, 2));
    desk.run(&["new", "s", "one=one.wav", "two=two.wav"]).ends(0);
    desk.run(&["match", "s"]).ends(0);
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "4"]).ends(0);
    let clips = std::fs::read_dir(desk.join("s/clips")).unwrap();
    clips.map(|c| mono(&c.unwrap().path())).collect()
}

fn mono(path: &Path) -> Vec<f32> {
    let mut reader = hound::WavReader::open(path).unwrap();
    reader.samples::<i32>().map(|s| s.unwrap() as f32 / 8_388_608.0).collect()
}

/// Longest stretch of `heard` (left channel) that is bit by bit a stretch of `clip`.
fn longest_exact(heard: &[f32], clip: &[f32]) -> usize {
    let window = 64;
    let mut best = 0;
    let mut i = 0;
    while i + window < heard.len() {
        let needle = &heard[i..i + window];
        if needle.iter().any(|x| *x != 0.0)
            && let Some(at) = clip.windows(window).position(|w| w == needle)
        {
            let same = heard[i..].iter().zip(&clip[at..]).take_while(|(a, b)| a.to_bits() == b.to_bits()).count();
            best = best.max(same);
            i += same;
        }
        i += 997;
    }
    best
}

fn bit_exact_at(rate: u32) {
    let desk = Desk::new();
    let clips = session(&desk, rate);
    let mut studio = Studio::open(&desk, rate);
    studio.hears_said("Press Enter for the noise");
    studio.say("");
    studio.hears_said("press Enter");
    let noise = studio.hear(0.4);
    assert!(noise.iter().any(|x| x.abs() > 1e-4), "the noise to set the level by does not sound");
    studio.say("");
    studio.hears_said("Labels: A, B, X.");
    studio.say("a");
    let heard = studio.hear(1.6);
    studio.say("leave");
    studio.hears_said("0 of 4 trials answered.");
    let left: Vec<f32> = heard.chunks_exact(2).map(|f| f[0]).collect();
    assert!(heard.chunks_exact(2).all(|f| f[0].to_bits() == f[1].to_bits()), "mono does not come out of both sides alike");
    let exact = clips.iter().map(|c| longest_exact(&left, c)).max().unwrap();
    assert!(exact >= rate as usize / 2, "only {exact} frames in a row came out bit by bit at {rate} Hz");
}

#[test]
fn clips_come_out_bit_by_bit_at_three_rates() {
    for rate in [44_100, 48_000, 96_000] {
        bit_exact_at(rate);
    }
}

#[test]
fn a_lost_device_voids_the_trial() {
    let desk = Desk::new();
    session(&desk, 48_000);
    let mut studio = Studio::open(&desk, 48_000);
    studio.hears_said("Press Enter for the noise");
    studio.say("");
    studio.hears_said("press Enter");
    studio.say("");
    studio.hears_said("Labels: A, B, X.");
    studio.say("a");
    studio.hear(0.3);
    // Closing the reader's end of the FIFO imitates the loss of the device.
    studio.sink = File::open("/dev/null").unwrap();
    std::thread::sleep(Duration::from_millis(1500));
    studio.say("b");
    studio.hears_said("the trial is void");
    // The device is back: the session goes on with a fresh trial.
    studio.sink = OpenOptions::new().read(true).custom_flags(O_NONBLOCK).open(desk.join("sink")).unwrap();
    studio.say("");
    studio.hears_said("The device is back");
    studio.say("");
    studio.hears_said("Set the level");
    studio.say("");
    studio.hears_said("Trial 1 of 4");
    for slot in ["a", "b", "x"] {
        studio.say(slot);
        studio.hear(0.5);
    }
    studio.say("pick a");
    studio.hears_said("Trial 2 of 4");
    studio.say("leave");
    studio.hears_said("1 of 4 trials answered.");
    studio.child.wait().unwrap();
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert!(score["tests"][0]["void"].as_u64() >= Some(1) && score["tests"][0]["done"].as_u64() == Some(1), "{score:#}");
}

/// What a recorder at the output tells of one slot: how long the silence of its switch was, and how loud it came out against its clip.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Trace {
    silence: usize,
    level: f64,
}

fn trace(heard: &[f32], clips: &[Vec<f32>]) -> Trace {
    let left: Vec<f32> = heard.chunks_exact(2).map(|f| f[0]).collect();
    let zeros = left.split(|v| *v != 0.0).map(<[f32]>::len).max().unwrap_or(0);
    // A stretch that begins and ends with exact samples of one clip, away from the loop's seam; none if the player changes them.
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
    const LONG: usize = 2_048;
    let level = (left.len() / 2..left.len() - LONG)
        .step_by(512)
        .find_map(|start| {
            let heard = &left[start..start + LONG];
            clips.iter().find_map(|c| {
                let at = c.windows(64).position(|w| w == &heard[..64])?;
                let part = c.get(at..at + LONG)?;
                (part[LONG - 64..] == heard[LONG - 64..]).then(|| power(heard) / power(part))
            })
        })
        .unwrap_or(0.0);
    Trace { silence: zeros, level }
}

#[test]
fn twelve_same_file_trials_through_the_device_give_no_cue() {
    let desk = Desk::new();
    let clips = session(&desk, 48_000);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "1", "--controls", "same-file=12"]).ends(0);
    let mut studio = Studio::open(&desk, 48_000);
    studio.hears_said("Press Enter for the noise");
    studio.say("");
    studio.hears_said("press Enter");
    studio.say("");
    let mut traces = Vec::new();
    for trial in 1..=13 {
        studio.hears_said(&format!("Trial {trial} of 13"));
        let of: Vec<Trace> = ["a", "b", "x"]
            .into_iter()
            .map(|slot| {
                studio.say(slot);
                let heard = studio.hear(0.45);
                trace(&heard, &clips)
            })
            .collect();
        traces.push(of);
        studio.say("pick a");
    }
    studio.hears_said("13 of 13 trials answered.");
    let session = cabjury::store::Session::open_read(&desk.join("s")).unwrap();
    let mut trials = session.trials(&cabjury::model::ids::TestId::new("test-2").unwrap()).unwrap();
    trials.sort_by_key(|t| t.number);
    let mut noise = material::Noise(31);
    let (mut right, mut controls) = (0, 0);
    for (trial, traces) in trials.iter().zip(&traces) {
        let cabjury::model::trial::TrialState::Answered { order, right: was_right, .. } = &trial.state else {
            panic!("an unanswered trial")
        };
        if order.kind != cabjury::model::trial::TrialKind::SameFile {
            continue;
        }
        controls += 1;
        // Every pick was A: it was right where X was said to be A.
        let x_is_a = was_right.unwrap();
        let apart = |slot: usize| {
            let (s, x) = (traces[slot], traces[2]);
            (s.silence as f64 - x.silence as f64).abs() / 48.0 + (s.level - x.level).abs()
        };
        let coin = noise.next() < 0.0;
        let says_a = if (apart(0) - apart(1)).abs() < 1e-9 { coin } else { apart(0) < apart(1) };
        right += u64::from(says_a == x_is_a);
        for t in traces {
            assert!((t.level - 1.0).abs() < 1e-6, "trial {}: a slot came out at {} of its clip's power", trial.number, t.level);
        }
    }
    assert_eq!(controls, 12);
    let p = cabjury::stats::binomial::upper_tail(right, 12, 0.5);
    assert!(p > 1e-3, "{right} of 12 right from timing and level alone (p = {p})");
}
