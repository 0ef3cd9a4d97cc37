//! Hearing openly what is compared, before a trial and never during one: as the plan was sealed, and as at this computer's own player.

use super::clerk::Floor;
use super::sound::Slot;
use super::{Desk, Done};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::trial::Design;
use crate::testing::listen::training_clips;
use crate::testing::sounding::Treatment;

/// What may be heard openly.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Training {
    /// Samples of all recordings in a drawn order, which tell nothing of the setups; else one of each setup.
    pub samples: bool,
    /// One entry for each: the setup's name where the plan was sealed so, else none.
    pub names: Vec<Option<String>>,
}

fn in_a_trial() -> Failure {
    let message = "a trial is open: nothing is heard openly while it is";
    Failure::plain("in-a-trial", Fate::Refused, message, "answer the trial first")
}

fn begin(floor: &mut Floor, code: &str) -> Result<Training, Failure> {
    let (playable, who) = floor.invited(code)?;
    let plan = playable.plan;
    if floor.look(|t| Ok(t.current(&plan.test, &who).is_some()))? {
        return Err(in_a_trial());
    }
    if !floor.trained.contains_key(code) {
        let clips = training_clips(&plan)?;
        let body = serde_json::json!({ "test": plan.test, "by_name": plan.training_by_name });
        floor.trials()?.log("training", who.as_str(), &body)?;
        floor.trained.insert(code.to_owned(), clips);
    }
    let count = floor.trained.get(code).map_or(0, Vec::len);
    let name = |i: usize| plan.setups.get(i).filter(|_| plan.training_by_name).map(ToString::to_string);
    Ok(Training { samples: plan.design == Design::Crossed, names: (0..count).map(name).collect() })
}

fn sound(floor: &mut Floor, code: &str, place: usize) -> Result<Slot, Failure> {
    let (playable, who) = floor.invited(code)?;
    if floor.look(|t| Ok(t.current(&playable.plan.test, &who).is_some()))? {
        return Err(in_a_trial());
    }
    let clip = floor
        .trained
        .get(code)
        .and_then(|clips| clips.get(place))
        .cloned()
        .ok_or_else(|| Failure::plain("no-slot", Fate::Unfit, "there is no such sample", "reload the page"))?;
    Ok(Slot::open(playable.plan, (clip, Treatment::Plain)))
}

impl Desk {
    /// Begins a training, which is logged, or goes on with it.
    pub fn training(&self, code: String, done: Done<Training>) {
        self.ask(move |floor| begin(floor, &code), done);
    }

    /// Which sample of a training to play, by its place.
    pub fn training_sound(&self, code: String, place: usize, done: Done<Slot>) {
        self.ask(move |floor| sound(floor, &code, place), done);
    }
}
