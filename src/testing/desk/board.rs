//! The panel at a glance, for the engineer: who is invited, how far each listener is. Nothing in it depends on an order or an answer.

use super::clerk::Floor;
use super::{Desk, Done};
use crate::model::failure::Failure;
use crate::model::ids::ListenerCode;
use crate::testing::panel::Kind;
use crate::trial::draw;
use std::collections::BTreeMap;

/// A test with everybody who is invited to it or has begun.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TestBoard {
    /// The test.
    pub test: String,
    /// The method's stable name.
    pub method: &'static str,
    /// It is closed, or was given up.
    pub closed: bool,
    /// How many listeners it was sealed for.
    pub places: u32,
    /// Trials of each, controls included; none when no end is set.
    pub planned: Option<u32>,
    /// Length of its clips.
    pub seconds: u64,
    /// Its listeners by name.
    pub listeners: Vec<PlaceOf>,
}

/// Where one listener is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlaceOf {
    /// The listener.
    pub listener: String,
    /// The invitation's code; none for somebody at this computer's own player.
    pub code: Option<String>,
    /// A seat of the test is theirs.
    pub begun: bool,
    /// Answered trials.
    pub done: u32,
    /// The number of the trial that is open.
    pub in_trial: Option<u32>,
}

fn boards(floor: &mut Floor) -> Result<Vec<TestBoard>, Failure> {
    let invited = floor.invitations()?;
    let tests = floor.look(|trials| Ok(trials.session().tests()?))?;
    let mut out = Vec::new();
    for sealed in tests {
        let plan = sealed.plan;
        let seconds = floor.length(&plan.test)?.ceil() as u64;
        let (closed, listeners) = floor.look(|trials| {
            let mut who: BTreeMap<ListenerCode, Option<String>> =
                invited.iter().filter(|(_, t, _)| *t == plan.test).map(|(c, _, l)| (l.clone(), Some(c.clone()))).collect();
            let (closed, begun) = trials.known(&plan.test, |k| (k.closed, k.began(Kind::Person)))?;
            for listener in &begun {
                who.entry(listener.clone()).or_default();
            }
            let open = trials.open_numbers(&plan.test);
            let places = who.into_iter().map(|(listener, code)| {
                Ok(PlaceOf {
                    code,
                    begun: begun.contains(&listener),
                    done: trials.known(&plan.test, |k| k.progressed(&listener, Kind::Person).all())?,
                    in_trial: open.get(&listener).copied(),
                    listener: listener.to_string(),
                })
            });
            Ok((closed, places.collect::<Result<Vec<_>, Failure>>()?))
        })?;
        out.push(TestBoard {
            test: plan.test.to_string(),
            method: plan.method.name(),
            closed,
            places: plan.listeners,
            planned: draw::planned(&plan),
            seconds,
            listeners,
        });
    }
    Ok(out)
}

impl Desk {
    /// All tests with their listeners.
    pub fn boards(&self, done: Done<Vec<TestBoard>>) {
        self.ask(boards, done);
    }
}
