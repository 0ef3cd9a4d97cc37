//! What a page shows of a sitting: the same in the terminal, line by line, and on the desk.

use super::doc::{MeterView, RecordDoc, View};
use super::inspect::HeardDoc;
use super::press::Offer;
use super::sitting::{STEP_DB, Sitting, Stage};
use crate::circuit::caution;
use crate::model::explain::quoted;
use crate::model::rig::AmplifierKind;
use crate::report::text::count;
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

const GO_ON: Offer = Offer::new("Enter", "go on");
const LEAVE: Offer = Offer::leave("q");
const LAST_AGAIN: Offer = Offer::new("b", "the last pass again");
const LOUDER: Offer = Offer::new("+", "louder");
const QUIETER: Offer = Offer::new("-", "quieter");
const STOP: Offer = Offer::new("Esc", "stop at once");

impl Sitting {
    /// Meters of the mics.
    fn meters(&self) -> Vec<MeterView> {
        self.patch
            .mics
            .iter()
            .zip(&self.holds)
            .zip(&self.now)
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
        lines.push(format!("{} left, {seconds:.0} s each.", count(self.plan.len(), "pass is", "passes are")));
        lines.extend(self.left_over.iter().map(|l| format!("Left over: {l}.")));
        lines
    }

    /// What to change: the run sheet's words, and the whole wiring where nobody knows how the rig was left.
    fn change(&self) -> String {
        let change = self.pass().map(|p| p.change.clone()).unwrap_or_default();
        if !change.is_empty() {
            return change;
        }
        let setup = self.setup().and_then(|s| self.rig.setup(&s).cloned());
        let wiring = setup.as_ref().and_then(|s| s.wiring.as_ref()).and_then(|w| self.rig.wiring(w));
        let wire = wiring.map(|w| format!("wire {}", w.network));
        let tap = setup.as_ref().and_then(|s| s.tap_ohm).map(|t| format!("plug into the {} ohm tap", t.value()));
        let what: Vec<String> = wire.into_iter().chain(tap).collect();
        let what = if what.is_empty() {
            format!("change to {}", setup.map_or_else(String::new, |s| s.name.to_string()))
        } else {
            what.join(", ")
        };
        format!("{}: {what}", caution::CHANGE)
    }

    /// The last pass again, where there is one, and leaving.
    fn with_again(&self, first: &[Offer]) -> Vec<Offer> {
        let again = self.last_kept().map(|_| LAST_AGAIN);
        first.iter().copied().chain(again).chain([LEAVE]).collect()
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
        let mut view = match &self.stage {
            Stage::Level => self.level_view(),
            Stage::Cautions | Stage::Change | Stage::Reading(_) | Stage::Power(_) => self.before_view(),
            _ => self.pass_view(),
        };
        view.body.extend(self.reminder().map(str::to_owned));
        view
    }

    fn page(&self, stage: &'static str, large: &[&str], body: Vec<String>, offers: &[Offer]) -> View {
        View {
            stage,
            title: self.title(),
            large: large.iter().map(|t| (*t).to_owned()).collect(),
            body,
            meters: Vec::new(),
            progress: None,
            offers: offers.to_vec(),
            typed: false,
        }
    }

    /// Everything up to the amplifier's being on.
    fn before_view(&self) -> View {
        let hearing = || caution::HEARING.to_owned();
        match &self.stage {
            Stage::Change => {
                let change = self.change();
                let large: Vec<&str> = change.split([';', ':']).map(str::trim).collect();
                self.page("change", &large, vec![hearing()], &self.with_again(&[Offer::new("Enter", "it is done")]))
            }
            Stage::Reading(why) => {
                let mut body = why.clone();
                body.push("Amplifier off and disconnected: what does the ohmmeter read at the plug?".to_owned());
                let offers = [Offer::new("Enter", "judge it"), Offer::leave("Esc")];
                View { typed: true, ..self.page("reading", &["Read the wiring"], body, &offers) }
            }
            Stage::Power(None) => {
                let body =
                    vec!["Connect the load first, then power on; standby off when it has warmed up.".to_owned(), hearing()];
                self.page("power", &["Connect the load, power on"], body, &[Offer::new("Enter", "it is on"), LEAVE])
            }
            Stage::Power(Some(until)) => {
                let left = format!("{:.0} s", (until - self.recorder.seconds()).max(0.0));
                self.page("warm-up", &["It warms up", &left], Vec::new(), &[Offer::new("+", "30 s more"), LEAVE])
            }
            _ => self.page("cautions", &["Before anything sounds"], self.cautions(), &[GO_ON, LEAVE]),
        }
    }

    /// The pass, and what became of it.
    fn pass_view(&self) -> View {
        match &self.stage {
            Stage::Rolling => {
                let large = match self.recorder.phase() {
                    Phase::Lead => "It fades in; nothing is recorded yet",
                    Phase::Done => "Recorded: it is looked at",
                    _ => "Recording",
                };
                View {
                    progress: Some(self.recorder.progress()),
                    meters: self.meters(),
                    ..self.page("rolling", &[large], Vec::new(), &[STOP])
                }
            }
            Stage::Judged(judged, _) => {
                let mut body: Vec<String> = judged.again.iter().chain(&judged.warnings).cloned().collect();
                body.extend(judged.mics.iter().map(HeardDoc::line));
                let keep = (!judged.unusable).then_some(Offer::new("k", "keep it all the same"));
                let offers: Vec<Offer> = [Offer::new("Enter", "again")].into_iter().chain(keep).collect();
                self.page("judged", &["Again"], body, &offers)
            }
            Stage::Broken(void) => {
                let body = vec![format!("This pass does not count: {void}."), format!("Next: {}.", void.next())];
                self.page("void", &["The pass is void"], body, &[GO_ON, LEAVE])
            }
            Stage::Done => self.page("done", &["All passes are recorded"], Vec::new(), &self.with_again(&[])),
            _ => {
                let body = vec![
                    "Hands off the gains. Count-in of silence, the DI, a tail: keep quiet until it is over.".to_owned(),
                    caution::HEARING.to_owned(),
                ];
                let touched = Offer::new("g", "the gains were touched");
                self.page("ready", &["Ready"], body, &self.with_again(&[Offer::new("Enter", "play and record"), touched]))
            }
        }
    }

    fn level_view(&self) -> View {
        let sounds = self.recorder.phase() == Phase::Loop;
        let body = vec![
            format!("Output at {:.0} dBFS; each step moves it by {STEP_DB:.0} dB. The limiter ends at -1 dBFS.", self.level_db),
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
            offers: if sounds {
                vec![Offer::new("Enter", "gains are fixed"), LOUDER, QUIETER, STOP, LEAVE]
            } else {
                vec![Offer::new("Enter", "play the DI, quietly at first"), LOUDER, QUIETER, LEAVE]
            },
            typed: false,
        }
    }

    /// Ends the sitting and stops whatever sounds; what became of it.
    #[must_use]
    pub fn end(self) -> RecordDoc {
        let (mut doc, folder) = (self.doc(), self.way.folder().to_owned());
        drop(self);
        // What was left in mid-pass by hand is gone now.
        doc.left_over = super::left_over(&folder);
        doc
    }

    /// What became of the sitting.
    #[must_use]
    pub fn doc(&self) -> RecordDoc {
        let drift = self.recorder.drift();
        let left = self.plan.len() - self.at.min(self.plan.len());
        let folder = quoted(self.way.folder());
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
            left_over: super::left_over(self.way.folder()),
            next: if left == 0 { format!("cabjury check {folder}") } else { format!("cabjury record {folder}") },
        }
    }
}
