//! What the takes test looked at, read again from the records for its plots.

use crate::model::result::TestResult;
use crate::model::trial::{Design, Method, SealedTest, TrialKind, TrialRecord, TrialState};
use crate::report::heard_takes::{TakeShare, TakesHeard};
use crate::stats::takes::{Crossed, Heard, Rule};
use crate::trial::{Generator, Units};

/// Takes and splits of a closed crossed test; `None` of any other.
pub(super) fn takes_heard(sealed: &SealedTest, result: &TestResult, trials: &[TrialRecord]) -> Option<TakesHeard> {
    let plan = &sealed.plan;
    let rule = Rule::of(plan.method).filter(|_| plan.design == Design::Crossed)?;
    let units = Units::of(plan);
    let mut takes: Vec<TakeShare> = Vec::new();
    for clip in &plan.clips {
        let unit = plan.units.get(&clip.take).unwrap_or(&clip.take).to_string();
        if !takes.iter().any(|t| t.take == unit && t.setup == clip.setup.as_str()) {
            takes.push(TakeShare { take: unit, setup: clip.setup.to_string(), trials: 0, right: 0 });
        }
    }
    let counts =
        |t: &&TrialRecord| t.practice == result.practice_only && result.listeners.iter().any(|l| l.listener == t.listener);
    let mut heard = Vec::new();
    for trial in trials.iter().filter(counts) {
        let TrialState::Answered { answer, order, .. } = &trial.state else { continue };
        let Some(read) = units.read(order, &answer.choice).filter(|_| order.kind == TrialKind::Scored) else { continue };
        heard.push(Heard { units: read.units, pick: read.pick });
        let Some(right) = rule.score(read.first, usize::from(read.pick)) else { continue };
        let sounded: std::collections::BTreeSet<u16> = read.units.into_iter().collect();
        let picked = read.units[usize::from(read.pick)];
        for unit in sounded {
            if let Some(take) = takes.get_mut(usize::from(unit)) {
                take.trials += 1;
                take.right += u64::from(if plan.method == Method::Preference { unit == picked } else { right });
            }
        }
    }
    let question = Crossed { rule, first: units.first.clone() };
    // The same splits as the verdict's own test looks at.
    let (splits, every_split) = question.each_z(&heard, &mut Generator::of_the_seal(&sealed.seal, "takes"));
    let truth = question.test(&heard, &mut Generator::of_the_seal(&sealed.seal, "takes")).z;
    Some(TakesHeard { takes, splits, truth, every_split })
}
