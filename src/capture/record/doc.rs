//! What `record` tells when it is over.

use super::inspect::HeardDoc;
use super::press::Offer;
use crate::report::text::count;
use serde::Serialize;

/// One playing of the DI and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PassRecord {
    /// The pass of the run sheet.
    pub pass: u32,
    /// How many times it had been begun, from 1.
    pub attempt: u32,
    /// The setup.
    pub setup: String,
    /// `kept`, `again` or `void`.
    pub outcome: &'static str,
    /// Why it was not simply kept.
    pub reasons: Vec<String>,
    /// What the engineer should know.
    pub warnings: Vec<String>,
    /// Takes that came of it; those of `again` are withdrawn.
    pub takes: Vec<String>,
    /// What each mic recorded.
    pub mics: Vec<HeardDoc>,
}

/// The document of `record`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecordDoc {
    /// The device.
    pub device: String,
    /// Nothing was really recorded.
    pub simulated: bool,
    /// Frames per second.
    pub rate_hz: u32,
    /// The output level at which the passes were played; null before it was fixed.
    pub output_db: Option<f64>,
    /// Everything that was played, in its order.
    pub passes: Vec<PassRecord>,
    /// Passes of the run sheet that are still to be recorded.
    pub left: usize,
    /// The input's clock against the output's; null for too short a time.
    pub clock_drift_ppm: Option<f64>,
    /// How far that can be trusted, plus or minus.
    pub clock_drift_within_ppm: Option<f64>,
    /// The way from output to input, where a loop-back was recorded.
    pub round_trip_ms: Option<f64>,
    /// Recordings in the session's folder that no take holds, with what they are.
    pub left_over: Vec<String>,
    /// The next command.
    pub next: String,
}

impl RecordDoc {
    /// What became of the sitting, in words.
    #[must_use]
    pub fn summary(&self) -> String {
        let of = |outcome: &str| self.passes.iter().filter(|p| p.outcome == outcome).count();
        let left = if self.left == 1 { "1 is".to_owned() } else { format!("{} are", self.left) };
        let kept = count(of("kept"), "pass", "passes");
        format!("{kept} kept, {} played again, {} void; {left} left.", of("again"), of("void"))
    }

    /// What the engineer should know of it.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let there = self.passes.iter().filter(|p| p.outcome == "already-there").count();
        let same = format!("{} not stored: to the last bit what the session has", count(there, "pass was", "passes were"));
        let left_over = self.left_over.iter().map(|line| format!("left over: {line}"));
        (there > 0).then_some(same).into_iter().chain(left_over).collect()
    }
}

/// What a meter shows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeterView {
    /// The mic.
    pub mic: String,
    /// Peak since the last look; null for silence.
    pub peak_db: Option<f64>,
    /// Largest peak since the level was touched.
    pub hold_db: Option<f64>,
    /// Samples at full scale since the start.
    pub clips: u64,
    /// What to do with the preamp.
    pub advice: &'static str,
}

/// What stands on the page now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// The stage's stable name.
    pub stage: &'static str,
    /// Where in the run sheet.
    pub title: String,
    /// What to do, to be read from across the room.
    pub large: Vec<String>,
    /// The rest of it.
    pub body: Vec<String>,
    /// Input meters, where they help.
    pub meters: Vec<MeterView>,
    /// Seconds that are through, and of how many.
    pub progress: Option<(f64, f64)>,
    /// What can be done, the first thing first.
    pub offers: Vec<Offer>,
    /// A reading is typed here.
    pub typed: bool,
}

impl View {
    /// Keys that do something, in one line.
    #[must_use]
    pub fn keys(&self) -> String {
        let typed = self.typed.then(|| "type the ohms, or OL".to_owned());
        let offers = self.offers.iter().map(|o| format!("{}: {}", o.key, o.label));
        typed.into_iter().chain(offers).collect::<Vec<_>>().join("     ")
    }

    /// True when it is the same step: what can be pressed means what it meant before.
    #[must_use]
    pub fn same_step(&self, other: &Self) -> bool {
        (self.stage, &self.title, &self.offers) == (other.stage, &other.title, &other.offers)
    }
}
