//! A rig that is made of numbers, behind the trait that real devices stand behind: for the demo, the guide and the tests.

use super::damage::{Damage, DamageAt};
use super::stage::{Amplifier, BLOCK, Convolver, impulse};
use crate::model::ids::{MicName, SetupName};
use crate::model::random::RandomWords;
use crate::model::rig::Rig;
use crate::sound::device::{DeviceError, Pace, Render};
use crate::sound::duplex::{Capture, Coming, DuplexConfig, DuplexDevice, DuplexRunning, Health};
use crate::trial::Generator;
use crate::units::SampleRate;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What the simulated rig is made of.
#[derive(Debug, Clone)]
pub struct SimulatedRig {
    /// The session's rig.
    pub rig: Rig,
    /// The mic at each input, from input 0.
    pub mics: Vec<(u16, MicName)>,
    /// The output that the rig listens to, from 0.
    pub reamp: u16,
    /// The input at which the output comes back by a cable, from 0.
    pub loop_back: Option<u16>,
    /// All that is random comes from it.
    pub seed: u64,
    /// What goes wrong.
    pub damages: Vec<DamageAt>,
    /// Real time, or only when it is asked to.
    pub pace: Pace,
}

/// What is sent counts as music from here on, and not as the noise of a rest.
const SOUNDING: f32 = 0.01;

/// Samples from output to input: converters alone, and the whole chain.
const CONVERTERS: usize = 61;
const CHAIN: usize = 153;

/// The rig at work; its time is counted in blocks.
struct Stage {
    rig: SimulatedRig,
    rate: SampleRate,
    config: DuplexConfig,
    amplifier: Amplifier,
    convolvers: Vec<Convolver>,
    impulses: BTreeMap<SetupName, Vec<Vec<f32>>>,
    coming: Coming,
    random: Generator,
    /// What was played lately, for the delays.
    delayed: Vec<f32>,
    /// Frames since the pass was announced; when something sounded first; whether it does now.
    frame: u64,
    heard: Option<u64>,
    sounds: bool,
    level: f32,
    health: Health,
    play: Render,
    capture: Capture,
    out: Vec<f32>,
    taken: Vec<f32>,
}

impl Stage {
    fn new(rig: SimulatedRig, config: DuplexConfig, play: Render, capture: Capture) -> Self {
        let setup = rig.rig.setups.first().map(|s| s.name.to_string()).unwrap_or_default();
        let random = Generator::simulated(rig.seed);
        let (outputs, inputs) = (usize::from(config.outputs.max(1)), usize::from(config.inputs.max(1)));
        let mut stage = Self {
            rate: config.rate,
            amplifier: Amplifier::default(),
            convolvers: Vec::new(),
            impulses: BTreeMap::new(),
            coming: Coming { pass: 0, attempt: 0, setup },
            random,
            delayed: vec![0.0; CHAIN + 8],
            frame: 0,
            heard: None,
            sounds: false,
            level: 1.0,
            health: Health::default(),
            play,
            capture,
            out: vec![0.0; outputs * BLOCK],
            taken: vec![0.0; inputs * BLOCK],
            rig,
            config,
        };
        stage.wire();
        stage
    }

    /// Puts the rig into the state of the coming pass.
    fn wire(&mut self) {
        let SimulatedRig { rig, mics, seed, .. } = &self.rig;
        let setup = rig.setups.iter().find(|s| s.name.as_str() == self.coming.setup).or_else(|| rig.setups.first());
        self.convolvers = match setup {
            None => Vec::new(),
            Some(setup) => {
                let made = self.impulses.entry(setup.name.clone()).or_insert_with(|| {
                    let mic = |name: &MicName| rig.mics.iter().find(|m| &m.name == name);
                    mics.iter().map(|(input, name)| impulse(rig, setup, mic(name), self.rate, seed + u64::from(*input))).collect()
                });
                made.iter().cloned().map(Convolver::new).collect()
            }
        };
        self.amplifier.rest();
        self.delayed.fill(0.0);
        (self.frame, self.heard) = (0, None);
        let Coming { pass, attempt, .. } = self.coming;
        // Every pass has its own stream: takes come out the same whatever was done between them.
        self.random = Generator::simulated(seed ^ (u64::from(pass) << 32) ^ (u64::from(attempt) << 16));
        // The amplifier settles as it warms, and no two passes are quite alike.
        let db = 0.06 * (2.0 * self.random.unit() - 1.0) - 0.008 * f64::from(pass);
        self.level = 10f64.powf(db / 20.0) as f32;
    }

    fn damage(&self) -> Option<Damage> {
        let here = |d: &&DamageAt| d.pass == self.coming.pass && self.coming.attempt == 1;
        self.rig.damages.iter().find(here).map(|d| d.damage)
    }

    /// One block: what is played goes through the rig and comes back.
    fn block(&mut self) {
        if self.health.lost {
            return;
        }
        (self.play)(&mut self.out);
        let outputs = usize::from(self.config.outputs.max(1));
        let reamp = usize::from(self.rig.reamp);
        let sent: Vec<f32> = self.out.chunks_exact(outputs).map(|f| f.get(reamp).copied().unwrap_or(0.0)).collect();
        self.sounds = sent.iter().any(|v| v.abs() > SOUNDING);
        if self.heard.is_none() && self.sounds {
            self.heard = Some(self.frame);
        }
        let damage = self.damage();
        let behind = self.delayed.len();
        self.delayed.extend_from_slice(&sent);
        let back = |late: usize| self.delayed[behind - late..behind - late + BLOCK].to_vec();
        let (mut driven, looped) = (back(CHAIN), back(CONVERTERS));
        self.amplifier.run(&mut driven, self.rate);
        if damage == Some(Damage::Standby) {
            driven.fill(0.0);
        }
        self.taken.fill(0.0);
        for (place, convolver) in self.convolvers.iter_mut().enumerate() {
            let y = convolver.run(&driven);
            let Some((input, _)) = self.rig.mics.get(place) else { continue };
            let gain = match damage {
                Some(Damage::Gain) if place == 0 => 10f32.powf(2.5 / 20.0),
                Some(Damage::Clip) if place == 0 => 10f32.powf(30.0 / 20.0),
                _ => 1.0,
            };
            let mut put = Put { input: usize::from(*input), inputs: usize::from(self.config.inputs.max(1)), gain };
            put.block(&mut self.taken, &y, self.level, &mut self.random);
            if damage == Some(Damage::Hum) {
                put.hum(&mut self.taken, self.frame, self.rate);
            }
        }
        if let Some(input) = self.rig.loop_back {
            let inputs = usize::from(self.config.inputs.max(1));
            self.taken.chunks_exact_mut(inputs).zip(looped).for_each(|(f, v)| f[usize::from(input).min(inputs - 1)] = v);
        }
        self.mishap(damage);
        self.delayed.drain(..BLOCK);
        self.frame += BLOCK as u64;
        (self.capture)(&self.taken);
    }

    /// What happens in mid-pass: half a second after the first sound.
    fn mishap(&mut self, damage: Option<Damage>) {
        let Some(heard) = self.heard else { return };
        let (half, since) = (u64::from(self.rate.hz()) / 2, self.frame - heard);
        // An interface that drops samples does it again and again, once every second and a half.
        let again = damage == Some(Damage::Dropout) && self.sounds && since % (3 * half) < BLOCK as u64;
        if !again && !(half..half + BLOCK as u64).contains(&since) {
            return;
        }
        match damage {
            Some(Damage::UnderRun) => self.health.under_runs += 1,
            Some(Damage::OverRun) => self.health.over_runs += 1,
            Some(Damage::Lost) => self.health.lost = true,
            // 20 ms of exact zeros.
            Some(Damage::Dropout) => {
                let hole = usize::from(self.config.inputs.max(1)) * (self.rate.hz() as usize / 50).min(BLOCK / 2);
                self.taken[hole / 2..hole / 2 + hole].fill(0.0);
            }
            _ => {}
        }
    }
}

/// One mic's place among the inputs.
struct Put {
    input: usize,
    inputs: usize,
    gain: f32,
}

impl Put {
    /// The cone's sound with the mic's hiss, through the preamp into a converter that ends at full scale.
    fn block(&mut self, taken: &mut [f32], y: &[f32], level: f32, random: &mut Generator) {
        let hiss = 10f64.powf(-78.0 / 20.0) * 3f64.sqrt();
        for (frame, v) in taken.chunks_exact_mut(self.inputs).zip(y) {
            let noise = (hiss * (2.0 * random.unit() - 1.0)) as f32;
            if let Some(to) = frame.get_mut(self.input) {
                *to = ((v * level + noise) * self.gain).clamp(-1.0, 1.0);
            }
        }
    }

    fn hum(&mut self, taken: &mut [f32], frame: u64, rate: SampleRate) {
        for (n, at) in taken.chunks_exact_mut(self.inputs).enumerate() {
            let t = (frame + n as u64) as f64 / rate.as_f64();
            let hum: f64 = (1..=6).map(|h| (2.0 * std::f64::consts::PI * 50.0 * f64::from(h) * t).sin() / f64::from(h)).sum();
            if let Some(to) = at.get_mut(self.input) {
                *to = (*to + 0.003 * hum as f32).clamp(-1.0, 1.0);
            }
        }
    }
}

/// Runs only when it is asked to.
struct Stepped(Stage);

impl DuplexRunning for Stepped {
    fn health(&self) -> Health {
        self.0.health
    }
    fn announce(&mut self, coming: &Coming) {
        self.0.coming = coming.clone();
        self.0.wire();
    }
    fn advance(&mut self) -> bool {
        for _ in 0..4 {
            self.0.block();
        }
        true
    }
}

/// Keeps real time on a thread of its own.
struct RealTime {
    stage: Arc<Mutex<Stage>>,
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl RealTime {
    fn start(stage: Stage) -> Self {
        let rate = stage.rate;
        let (stage, stop) = (Arc::new(Mutex::new(stage)), Arc::new(AtomicBool::new(false)));
        let (on, ended) = (Arc::clone(&stage), Arc::clone(&stop));
        let thread = std::thread::spawn(move || {
            let (began, mut frames) = (Instant::now(), 0u64);
            while !ended.load(Ordering::Acquire) {
                on.lock().unwrap_or_else(PoisonError::into_inner).block();
                frames += BLOCK as u64;
                let due = began + Duration::from_secs_f64(frames as f64 / rate.as_f64());
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
            }
        });
        Self { stage, stop, thread: Some(thread) }
    }
}

impl DuplexRunning for RealTime {
    fn health(&self) -> Health {
        self.stage.lock().unwrap_or_else(PoisonError::into_inner).health
    }
    fn announce(&mut self, coming: &Coming) {
        let mut stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        stage.coming = coming.clone();
        stage.wire();
    }
}

impl Drop for RealTime {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // A panic on it has been printed already.
            let _ = thread.join();
        }
    }
}

impl DuplexDevice for SimulatedRig {
    fn name(&self) -> String {
        "simulated".to_owned()
    }

    fn simulated(&self) -> Option<String> {
        Some(format!("made by the program's simulated rig (seed {}): nothing of it was recorded", self.seed))
    }

    fn start(&self, config: &DuplexConfig, play: Render, capture: Capture) -> Result<Box<dyn DuplexRunning>, DeviceError> {
        let stage = Stage::new(self.clone(), *config, play, capture);
        Ok(match self.pace {
            Pace::Fastest => Box::new(Stepped(stage)),
            Pace::RealTime => Box::new(RealTime::start(stage)),
        })
    }
}
