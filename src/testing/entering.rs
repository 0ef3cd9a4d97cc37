//! Who may begin which test: the test is chosen, its listener registered or invited.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ListenerCode, TestId};
use crate::model::session::Listener;
use crate::model::trial::Plan;
use crate::store::random;
use crate::testing::panel::Kind;
use crate::testing::plan_family::given_up;
use crate::testing::trials::{Trials, closed, refused};

impl Trials<'_> {
    /// The test to listen to: the one named, else the only open one.
    ///
    /// # Errors
    /// None is open, or several are.
    pub fn choose(&self, test: Option<&TestId>) -> Result<Plan, Failure> {
        let gone = given_up(&self.session)?;
        if let Some(id) = test {
            let plan = self.session.test(id)?.plan;
            let refusal = || refused("test-given-up", format!("{id} was given up"), "name another test, or plan one");
            return if gone.contains(id) { Err(refusal()) } else { Ok(plan) };
        }
        let mut open: Vec<_> = self
            .session
            .tests()?
            .into_iter()
            .filter(|t| t.closed_at.is_none() && !t.plan.audience && !gone.contains(&t.plan.test))
            .collect();
        match open.len() {
            1 => Ok(open.remove(0).plan),
            0 => Err(refused("no-open-test", "no test is open", "seal one with: cabjury plan")),
            n => Err(Failure::plain("which-test", Fate::WrongUse, format!("{n} tests are open"), "name one with --test")),
        }
    }

    /// Registers a listener for a test.
    ///
    /// # Errors
    /// The test is closed, the code belongs to the other kind of listener, or all planned listeners have begun.
    pub fn enter(&mut self, plan: &Plan, code: &ListenerCode, simulated: bool) -> Result<(), Failure> {
        if self.known(&plan.test, |k| k.closed)? {
            return Err(closed(plan));
        }
        let kind = self.kind(simulated);
        if kind == Kind::Person && plan.simulated {
            let message = format!("{} was sealed for simulated listeners alone", plan.test);
            return Err(refused("simulated-test", message, "plan a test for people: cabjury plan without --simulated"));
        }
        if plan.audience {
            let message = format!("{} was sealed for an audience that visits", plan.test);
            return Err(refused("audience-test", message, "publish it with: cabjury hall publish"));
        }
        let began = self.known(&plan.test, |k| k.began(kind))?;
        if kind != Kind::Practice && !began.contains(code) && began.len() >= plan.listeners as usize {
            let message = format!(
                "{} was planned for {} listeners, and {} have begun: {}",
                plan.test,
                plan.listeners,
                began.len(),
                codes(&began)
            );
            return Err(refused("panel-full", message, "go on under one of these codes, or plan a test for more listeners"));
        }
        let listener = Listener { code: code.clone(), simulated, since: self.clock.now() };
        Ok(self.session.add_listener(&listener, self.clock.now())?)
    }

    /// The invitation of a listener to a test: the same code for ever.
    ///
    /// # Errors
    /// As [`Trials::enter`]; the store cannot be written.
    pub fn invite(&mut self, plan: &Plan, listener: &ListenerCode) -> Result<String, Failure> {
        self.enter(plan, listener, false)?;
        Ok(self.session.invite(&plan.test, listener, &random::code()?, self.clock.now())?)
    }
}

fn codes(list: &[ListenerCode]) -> String {
    list.iter().map(ListenerCode::as_str).collect::<Vec<_>>().join(", ")
}
