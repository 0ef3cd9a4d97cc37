//! Sealed tests with their fate, scores and picks, as the report shows them.

use crate::model::failure::Failure;
use crate::model::ids::ClipId;
use crate::model::trial::{Method, OrderRecord, Plan, SealedTest, TrialCount, TrialKind, TrialRecord, TrialState};
use crate::model::verdict::VerdictKind;
use crate::report::view::{ListenerView, PairView, PickView, PreferenceView, RanksView, ScoreView, TestView};
use crate::stats::intervals::clopper_pearson;
use crate::stats::verdict::power_at;
use crate::store::Session;
use crate::verdict::scale::ScaleDoc;
use crate::verdict::score::{ListenerDoc, PreferenceDoc, RanksDoc, RatingDoc, ResultDoc, ScoreDoc, TestDoc};
use crate::verdict::tally::prefers_first;
use serde_json::Value;

/// All sealed tests, oldest first.
///
/// # Errors
/// The records cannot be read.
pub fn tests(session: &Session, scored: &ScoreDoc) -> Result<Vec<TestView>, Failure> {
    let mut out = Vec::new();
    for sealed in session.tests()? {
        let trials = session.trials(&sealed.plan.test)?;
        let Some(doc) = scored.tests.iter().find(|d| d.test == sealed.plan.test.as_str()) else { continue };
        out.push(test(&sealed, doc, &trials));
    }
    Ok(out)
}

fn test(sealed: &SealedTest, doc: &TestDoc, trials: &[TrialRecord]) -> TestView {
    let plan = &sealed.plan;
    let attribute = plan.attribute.clone().zip(plan.expect.as_ref().map(ToString::to_string));
    TestView {
        test: doc.test.clone(),
        method: plan.method,
        setups: doc.setups.clone(),
        mic: doc.mic.clone(),
        excerpt: doc.excerpt.clone(),
        as_recorded: doc.as_recorded,
        differs: doc.differs.clone(),
        takes: doc.takes.iter().map(|(s, n)| (s.clone(), *n)).collect(),
        planned: match plan.trials {
            TrialCount::Fixed(n) => Some(n),
            TrialCount::OpenEnded => None,
        },
        listeners_planned: plan.listeners,
        alpha: plan.alpha.value(),
        bound: plan.bound.value(),
        controls_planned: (plan.controls.same_file, plan.controls.repeat),
        attribute,
        exclusion: plan.exclusion.clone(),
        warnings: plan.warnings.clone(),
        load_reason: plan.load_reason.clone(),
        seal_sha256: sealed.seal.to_string(),
        sealed_at: sealed.sealed_at.to_string(),
        closed_at: sealed.closed_at.map(|t| t.to_string()),
        fate: fate(doc),
        score: doc.result.as_ref().and_then(|r| score(plan, doc, r, trials)),
    }
}

fn fate(doc: &TestDoc) -> String {
    let of = doc.planned.map_or_else(String::new, |n| format!(" of {n}"));
    match (doc.closed, doc.done, doc.planned) {
        (false, 0, _) => "sealed, not begun".to_owned(),
        (false, done, _) => format!("open, {done}{of} scored trials answered"),
        (true, 0, _) => "closed without a trial: abandoned".to_owned(),
        (true, done, Some(planned)) if done < planned => format!("closed before its end, {done} of {planned} answered"),
        (true, done, _) => format!("closed, {done}{of} answered"),
    }
}

fn score(plan: &Plan, doc: &TestDoc, r: &ResultDoc, trials: &[TrialRecord]) -> Option<ScoreView> {
    let verdict = VerdictKind::ALL.into_iter().find(|k| k.name() == r.verdict)?;
    let c = &r.count;
    let fixed = matches!(plan.trials, TrialCount::Fixed(_)) && plan.method != Method::Graded;
    Some(ScoreView {
        verdict,
        sentence: r.sentence.clone(),
        simulated_only: r.simulated_only,
        trials: c.trials,
        done: doc.done,
        void: doc.void,
        correct: c.correct,
        chance: c.chance,
        p_value: c.p_value,
        p_holm: Some(r.p_holm),
        anytime_p: Some(c.anytime_p),
        critical: c.critical,
        true_size: c.true_size,
        mid_p: c.mid_p,
        interval95: c.interval95,
        lower95: c.lower95,
        distinguishers: c.distinguishers.as_ref().map(|d| [d.estimate, d.low, d.high, d.upper95]),
        dprime: c
            .dprime
            .as_ref()
            .map(|d| format!("{} (95 %: {} to {}), model {}", number(&d.estimate), number(&d.low), number(&d.high), d.model)),
        similarity_p: c.similarity.as_ref().map(|s| s.p_value),
        power_at_three_quarters: fixed.then(|| match &r.preference {
            // Over several pairs each pair has its own picks and Holm's correction, of which Bonferroni's is the least favourable step.
            Some(pairs) if pairs.len() > 1 => {
                let picks = pairs.iter().map(|p| p.picks).min().unwrap_or(0);
                power_at(plan.method, picks, r.alpha / pairs.len() as f64, 0.75)
            }
            _ => power_at(plan.method, c.trials, r.alpha, 0.75),
        }),
        same_file: (r.controls.same_file.trials, r.controls.same_file.correct),
        repeat: (r.controls.repeat.trials, r.controls.repeat.correct),
        listeners: r.listeners.iter().map(listener).collect(),
        heterogeneity: r.heterogeneity.map(|h| {
            format!(
                "How unequal the listeners are: chi-square {:.2} on {}, p = {}.",
                h.chi_square,
                crate::report::numbers::count(h.df as usize, "degree of freedom", "degrees of freedom"),
                crate::report::numbers::p(h.p_value)
            )
        }),
        ratings: r.ratings.iter().flatten().map(|r| (rated(r), [r.q1, r.median, r.q3])).collect(),
        ranks: r.ranks.as_ref().and_then(|ranks| by_ranks(ranks, &doc.setups)),
        preference: r.preference.as_ref().map(|pairs| preference(pairs, r.scale.as_ref())),
        picks: trials.iter().map(|t| pick(plan, t)).collect(),
    })
}

/// What a rating is of.
fn rated(r: &RatingDoc) -> String {
    let name = r.setup.clone().unwrap_or_else(|| "the dulled anchor".to_owned());
    if r.hidden_reference { format!("{name}, the hidden reference") } else { name }
}

fn by_ranks(r: &RanksDoc, setups: &[String]) -> Option<RanksView> {
    if let Some((nonzero, w_plus)) = r.nonzero.zip(r.w_plus) {
        return Some(RanksView::Signed { trials: r.trials, nonzero, w_plus });
    }
    let (sums, chi_square) = (r.rank_sums.as_ref()?, r.chi_square?);
    let rank_sums = setups.iter().cloned().zip(sums.iter().copied()).collect();
    Some(RanksView::Friedman { trials: r.trials, rank_sums, chi_square, exact: r.exact })
}

fn preference(pairs: &[PreferenceDoc], scale: Option<&ScaleDoc>) -> PreferenceView {
    let mut notes: Vec<String> = pairs
        .iter()
        .filter(|_| pairs.len() > 1)
        .map(|p| format!("{} against {}: two-sided p = {:.4}, after Holm {:.4}", p.first, p.second, p.p_value, p.p_holm))
        .collect();
    if let Some(order) = scale.and_then(|s| s.order_effect.as_ref()) {
        let which = if order.gamma >= 0.0 { "first" } else { "second" };
        notes.push(format!(
            "What sounded {which} was chosen more often than its setup explains by {:.2} in log odds (p = {}).",
            order.gamma.abs(),
            crate::report::numbers::p(order.p_value)
        ));
    }
    if let Some(tiers) = scale.and_then(|s| s.tiers.as_ref()) {
        let groups: Vec<String> = tiers.iter().map(|g| g.join(", ")).collect();
        notes.push(format!(
            "No finite scale exists, for one group was never beaten by another; groups, best first: {}. The plot's places are shrunk.",
            groups.join("; then ")
        ));
    }
    if scale.is_some_and(|s| !s.connected) {
        notes
            .push("Some setups were never compared with the others, not even through a third: they cannot be ranked.".to_owned());
    }
    if let Some(u) = scale.and_then(|s| s.agreement) {
        notes.push(format!("Agreement of the listeners (Kendall's u, 1 for all alike): {u:.2}."));
    }
    PreferenceView {
        pairs: pairs
            .iter()
            .map(|p| PairView {
                first: p.first.clone(),
                second: p.second.clone(),
                first_preferred: p.first_preferred,
                picks: p.picks,
            })
            .collect(),
        notes,
        scale: scale.map_or_else(Vec::new, |s| s.items.iter().map(|i| (i.setup.clone(), i.ability, i.standard_error)).collect()),
        shrunk: scale.is_some_and(|s| s.shrunk),
    }
}

/// d' may be infinite, which documents write as a word.
fn number(value: &Value) -> String {
    value
        .as_f64()
        .map_or_else(|| value.as_str().map_or_else(|| value.to_string(), |t| t.replace("inf", "no end")), |v| format!("{v:.2}"))
}

fn listener(l: &ListenerDoc) -> ListenerView {
    ListenerView {
        listener: l.listener.clone(),
        simulated: l.simulated,
        trials: l.trials,
        correct: l.correct,
        interval95: clopper_pearson(l.correct, l.trials, 0.05),
        p_value: l.p_value,
        p_holm: l.p_holm,
        medians: l.ratings.iter().flatten().map(|r| (rated(r), r.median)).collect(),
        flags: l.flags.clone(),
    }
}

fn pick(plan: &Plan, trial: &TrialRecord) -> PickView {
    let mut view = PickView { listener: trial.listener.to_string(), number: trial.number, ..PickView::default() };
    match &trial.state {
        TrialState::Open => view.void = Some("open".to_owned()),
        TrialState::Void { reason, .. } => view.void = Some(reason.clone()),
        TrialState::Answered { answer, order, right, at, .. } => {
            view.kind = match order.kind {
                TrialKind::Scored => "scored",
                TrialKind::SameFile => "same-file",
                TrialKind::Repeat => "repeat",
                TrialKind::Known => "known",
            }
            .to_owned();
            view.order = sounded(plan, order);
            view.choice = answer.choice.clone();
            view.key = order.right.clone().unwrap_or_default();
            view.right = *right;
            view.counted = match plan.method {
                Method::Preference => Some(prefers_first(plan, order, &answer.choice)),
                _ => *right,
            };
            view.seconds = at
                .duration_since(trial.opened_at)
                .as_secs_f64()
                .is_finite()
                .then(|| at.duration_since(trial.opened_at).as_secs_f64());
            let confidence = answer.confidence.map(|c| format!("confidence {c}"));
            let remark: Vec<String> = confidence.into_iter().chain(answer.remark.clone()).collect();
            view.remark = (!remark.is_empty()).then(|| remark.join(", "));
        }
    }
    view
}

/// `A s16 t003, B p4 t004, X p4 t008`.
fn sounded(plan: &Plan, order: &OrderRecord) -> String {
    let name = |clip: &ClipId| {
        plan.clips.iter().find(|c| &c.clip == clip).map_or_else(|| clip.to_string(), |c| format!("{} {}", c.setup, c.take))
    };
    let slots: Vec<String> =
        order.slots.iter().map(|s| format!("{} {}{}", s.label, name(&s.clip), if s.anchor { " (anchor)" } else { "" })).collect();
    slots.join(", ")
}
