//! Polarity of whole setups at a mic: turning is proposed for all takes of one, and a setup that holds both is not compared.

use crate::capture::alignment::Place;
use crate::model::audio::Polarity;
use crate::model::ids::{MicName, SetupName, TakeId};
use crate::model::session::Take;

/// One setup at one mic.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    setup: SetupName,
    mic: MicName,
    /// Setup of the mic's first take.
    reference: Option<SetupName>,
    /// Its takes: turned against the mic's first take, turned against the setup's first take.
    takes: Vec<(TakeId, Polarity, Polarity)>,
}

/// The setups at each mic, in the order of their first takes.
pub(crate) fn groups(takes: &[Take], places: &[Place]) -> Vec<Group> {
    let mut out: Vec<Group> = Vec::new();
    for place in places {
        let Some(take) = takes.iter().find(|t| t.id == place.take) else { continue };
        let Some(setup) = take.setup.clone() else { continue };
        let member = (place.take.clone(), place.polarity, place.in_setup);
        match out.iter_mut().find(|g| g.setup == setup && g.mic == take.mic) {
            Some(group) => group.takes.push(member),
            None => {
                let reference = out.iter().find(|g| g.mic == take.mic).map(|g| g.setup.clone());
                out.push(Group { setup, mic: take.mic.clone(), reference, takes: vec![member] });
            }
        }
    }
    out
}

impl Group {
    /// Whether it is meant by a setup's name, alone or with a mic.
    pub(crate) fn is(&self, setup: &SetupName, mic: Option<&MicName>) -> bool {
        &self.setup == setup && mic.is_none_or(|m| m == &self.mic)
    }

    /// Takes that are upside down: against the mic's first take, or against their setup's.
    pub(crate) fn flipped(&self) -> Vec<TakeId> {
        // Where the mic's first take says nothing, the setup's own does.
        let down = |t: &&(TakeId, Polarity, Polarity)| {
            t.1 == Polarity::Flipped || t.1 == Polarity::Undecided && t.2 == Polarity::Flipped
        };
        self.takes.iter().filter(down).map(|t| t.0.clone()).collect()
    }

    /// Its name as people read it.
    pub(crate) fn name(&self) -> String {
        format!("{} at {}", self.setup, self.mic)
    }

    /// Takes of either polarity within the setup, once the named ones have been turned.
    pub(crate) fn sides(&self, turned: &[TakeId]) -> (Vec<&TakeId>, Vec<&TakeId>) {
        let (mut up, mut down) = (Vec::new(), Vec::new());
        for (id, _, own) in &self.takes {
            match own.sign().map(|s| (s < 0) != turned.contains(id)) {
                Some(false) => up.push(id),
                Some(true) => down.push(id),
                None => {}
            }
        }
        (up, down)
    }

    /// Whether all takes that can be told are upside down against another setup's.
    fn whole(&self) -> bool {
        self.takes.iter().all(|t| t.1 == Polarity::Flipped)
    }

    /// What the engineer is told, with the command that would turn them.
    pub(crate) fn warnings(&self, command: &str) -> Vec<String> {
        let flipped = self.flipped();
        if flipped.is_empty() {
            return Vec::new();
        }
        let turn: String = flipped.iter().map(|id| format!(" --turn {id}")).collect();
        if let (true, Some(reference)) = (self.whole(), &self.reference) {
            return vec![format!(
                "all takes of {} are upside down (polarity) against {reference}: is its wiring or a cable reversed? Nothing was turned; if \
                 you are sure that it is no part of the comparison, confirm with: {command}{turn}",
                self.name()
            )];
        }
        let list: Vec<String> = flipped.iter().map(ToString::to_string).collect();
        vec![format!(
            "{} {} upside down (polarity) within {}: is a cable or a driver reversed? Nothing was turned; if you are sure, confirm with: \
             {command}{turn}",
            list.join(", "),
            if list.len() == 1 { "is" } else { "are" },
            self.name()
        )]
    }
}
