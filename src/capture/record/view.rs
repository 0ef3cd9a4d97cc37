//! What a page shows of a sitting: the same in the terminal, line by line, and on the desk.

use super::doc::{MeterView, RecordDoc, View};
use super::sitting::{STEP_DB, Sitting, Stage};
use crate::circuit::caution;
use crate::model::rig::AmplifierKind;
use crate::sound::deck::Phase;

fn db(magnitude: f32) -> Option<f64> {
    (magnitude > 0.0).then(|| 20.0 * f64::from(magnitude).log10())
}

/// Where peaks should lie while gains are set, and how far off is good enough: common practice, no source.
const AIM_DB: f64 = -12.0;
const NEAR_DB: f64 = 4.0;

fn advice(hold: Option<f64>, clips: u64) -> &'static str {
    match hold {
        _ if clips > 0 => "clipped: turn this preamp down",
        None => "nothing yet",
        Some(p) if p > AIM_DB + NEAR_DB => "turn this preamp down",
        Some(p) if p < AIM_DB - NEAR_DB => "more level, or turn this preamp up",
        Some(_) => "good: hands off",
    }
}

impl Sitting<'_> {
    /// Meters of the mics.
    fn meters(&self) -> Vec<MeterView> {
        let now = self.recorder.meters();
        self.patch
            .mics
            .iter()
            .zip(&self.holds)
            .zip(now)
            .map(|(((_, mic), hold), now)| MeterView {
                mic: mic.to_string(),
                peak_db: db(now.peak),
                hold_db: db(*hold),
                clips: now.clips,
                advice: advice(db(*hold), now.clips),
            })
            .collect()
    }

    fn cautions(&self) -> Vec<String> {
        let valve = self.rig.amplifier.as_ref().is_none_or(|a| a.kind == AmplifierKind::Valve);
        let amplifier: &[&str] = if valve { &caution::VALVE } else { &caution::SOLID_STATE };
        let texts = amplifier.iter().chain(&caution::CABLE_AND_METER).chain([&caution::HEARING]);
        let mut lines: Vec<String> = texts.map(|t| (*t).to_owned()).collect();
        if let Some(text) = &self.simulated {
            lines.insert(0, format!("Simulated: {text}."));
        }
        lines.push(format!("Device: {}. {}", self.device, self.di_said));
        let (_, seconds) = self.recorder.progress();
        lines.push(format!("{} passes are left, {seconds:.0} s each.", self.plan.len()));
        lines.extend(self.left_over.iter().map(|l| format!("Left over: {l}.")));
        lines
    }

    fn title(&self) -> String {
        match self.pass() {
            Some(pass) => {
                let again = if self.attempt > 1 { format!(", attempt {}", self.attempt) } else { String::new() };
                format!("Pass {}{again}: {}", pass.pass, pass.setup)
            }
            None => "Recording".to_owned(),
        }
    }

    /// What stands on the page now.
    #[must_use]
    pub fn view(&self) -> View {
        let view = |stage, large: &[&str], body: Vec<String>, keys| View {
            stage,
            title: self.title(),
            large: large.iter().map(|t| (*t).to_owned()).collect(),
            body,
            meters: Vec::new(),
            progress: None,
            keys,
            typed: false,
        };
        let mut view = match &self.stage {
            Stage::Cautions => view("cautions", &["Before anything sounds"], self.cautions(), "Enter: go on     q: leave"),
            Stage::Change => {
                let change = self.pass().map(|p| p.change.clone()).unwrap_or_default();
                let change = if change.is_empty() { format!("{}: wire {}", caution::CHANGE, self.title()) } else { change };
                let large: Vec<&str> = change.split([';', ':']).map(str::trim).collect();
                view("change", &large, vec![caution::HEARING.to_owned()], "Enter: it is done     q: leave")
            }
            Stage::Reading(why) => {
                let mut body = why.clone();
                body.push("Amplifier off and disconnected: what does the ohmmeter read at the plug?".to_owned());
                View {
                    typed: true,
                    ..view("reading", &["Read the wiring"], body, "type the ohms, or OL     Enter: judge it     Esc: leave")
                }
            }
            Stage::Power(None) => {
                let body = vec![
                    "Connect the load first, then power on; standby off when it has warmed up.".to_owned(),
                    caution::HEARING.to_owned(),
                ];
                view("power", &["Connect the load, power on"], body, "Enter: it is on     q: leave")
            }
            Stage::Power(Some(until)) => {
                let left = (until - self.recorder.seconds()).max(0.0);
                View {
                    progress: Some((0.0, left)),
                    ..view("warm-up", &["It warms up", &format!("{left:.0} s")], Vec::new(), "+: 30 s more     q: leave")
                }
            }
            Stage::Level => self.level_view(),
            Stage::Ready => {
                let body = vec![
                    "Hands off the gains. Count-in of silence, the DI, a tail: keep quiet until it is over.".to_owned(),
                    caution::HEARING.to_owned(),
                ];
                view(
                    "ready",
                    &["Ready"],
                    body,
                    "Enter: play and record     g: the gains were touched     b: the last pass again     q: leave",
                )
            }
            Stage::Rolling => {
                let large =
                    if self.recorder.phase() == Phase::Lead { "It fades in; nothing is recorded yet" } else { "Recording" };
                View {
                    progress: Some(self.recorder.progress()),
                    meters: self.meters(),
                    ..view("rolling", &[large], Vec::new(), "Esc: stop at once")
                }
            }
            Stage::Judged(judged, _) => {
                let mut body = judged.again.clone();
                body.extend(judged.warnings.iter().cloned());
                let keys = if judged.unusable { "Enter: again" } else { "Enter: again     k: keep it all the same" };
                view("judged", &["Again"], body, keys)
            }
            Stage::Broken(void) => {
                let body = vec![format!("This pass does not count: {void}."), format!("Next: {}.", void.next())];
                view("void", &["The pass is void"], body, "Enter: go on     q: leave")
            }
            Stage::Done => view("done", &["All passes are recorded"], Vec::new(), "q: leave"),
        };
        view.body.extend(self.reminder().map(str::to_owned));
        view
    }

    fn level_view(&self) -> View {
        let sounds = self.recorder.phase() == Phase::Loop;
        let body = vec![
            format!("Output at {:.0} dBFS; each key moves it by {STEP_DB:.0} dB. The limiter ends at -1 dBFS.", self.level_db),
            format!("Set the preamps so that peaks lie near {AIM_DB:.0} dBFS, then hands off."),
            caution::HEARING.to_owned(),
        ];
        View {
            stage: "level",
            title: self.title(),
            large: vec![if sounds { "The DI plays: set the levels" } else { "Set the levels" }.to_owned()],
            body,
            meters: self.meters(),
            progress: None,
            keys: if sounds {
                "+ -: level     p: stop     Enter: gains are fixed     q: leave"
            } else {
                "Enter: play the DI, quietly at first     + -: level     q: leave"
            },
            typed: false,
        }
    }

    /// What became of the sitting.
    #[must_use]
    pub fn doc(&self) -> RecordDoc {
        let drift = self.recorder.drift();
        let left = self.plan.len() - self.at.min(self.plan.len());
        let folder = self.folder.display();
        RecordDoc {
            device: self.device.clone(),
            simulated: self.simulated.is_some(),
            rate_hz: self.layout.rate.hz(),
            output_db: self.fixed.then_some(self.level_db),
            passes: self.passes.clone(),
            left,
            clock_drift_ppm: drift.map(|d| d.ppm),
            clock_drift_within_ppm: drift.map(|d| d.within),
            round_trip_ms: self.round_trip,
            left_over: super::left_over(&self.folder),
            next: if left == 0 { format!("cabjury check {folder}") } else { format!("cabjury record {folder}") },
        }
    }
}
