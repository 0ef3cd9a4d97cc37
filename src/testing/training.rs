//! Hearing the setups before the first trial, and a part of the passage in a loop.

use crate::model::failure::Failure;
use crate::model::trial::Design;
use crate::testing::listen::Listening;
use crate::testing::sounding::Treatment;

impl Listening<'_> {
    /// What sounds openly now, by its place among the training's names.
    #[must_use]
    pub fn training_setup(&self) -> Option<usize> {
        self.trained.filter(|_| self.training)
    }

    /// What may be heard openly before a trial: the setups, by name where the plan allows it, else by number; in the crossed design samples
    /// in a drawn order, which tell nothing of the setups.
    #[must_use]
    pub fn training_names(&self) -> Vec<String> {
        let name = |i: usize| match self.plan.setups.get(i) {
            Some(setup) if self.plan.training_by_name => setup.to_string(),
            _ if self.plan.design == Design::Crossed => format!("sample {}", i + 1),
            _ => format!("setup {}", i + 1),
        };
        (0..self.training_clips.len()).map(name).collect()
    }

    /// Plays one of them openly, by its place; only while no trial is open. The beginning of a training is logged.
    ///
    /// # Errors
    /// The log cannot be written.
    pub fn train(&mut self, place: usize) -> Result<(), Failure> {
        if self.trial().is_some() {
            return Ok(());
        }
        if !self.training {
            self.training = true;
            let body = serde_json::json!({ "test": self.plan.test, "by_name": self.plan.training_by_name });
            self.trials.log("training", self.listener.as_str(), &body)?;
        }
        let clip = self.training_clips.get(place);
        self.player.ask(clip.and_then(|c| self.places.get(&(c.clone(), Treatment::Plain)).copied()));
        self.trained = Some(place);
        Ok(())
    }

    /// Begins a chosen part of the loop where it stands now.
    pub fn part_begins(&mut self) {
        self.part_from = u32::try_from(self.player.position()).ok();
        self.part = None;
    }

    /// Ends the chosen part where the loop stands now; from the next switch on this part is looped for every slot. False when it would be
    /// shorter than half a second or no beginning was chosen.
    pub fn part_ends(&mut self) -> bool {
        let Some((from, to)) = self.part_from.zip(u32::try_from(self.player.position()).ok()) else { return false };
        if to.saturating_sub(from) < self.player.rate().hz() / 2 {
            return false;
        }
        self.player.loop_part(Some((from, to)));
        self.part = Some((from, to));
        true
    }

    /// Loops the whole excerpt again.
    pub fn part_is_whole(&mut self) {
        self.part_from = None;
        self.part = None;
        self.player.loop_part(None);
    }
}
