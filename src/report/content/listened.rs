//! What listeners have in common, and what they do not: heterogeneity, pairs, the scale, a second opinion, confidence.

use super::verdicts::named;
use super::{Block, table};
use crate::model::result::{PreferenceDoc, ScaleDoc, TestResult};
use crate::report::text::{self, named_p, p, percent};

/// The paragraphs.
pub(super) fn about(r: &TestResult) -> Vec<Block> {
    let mut blocks = Vec::new();
    if let Some(h) = &r.heterogeneity {
        let rough = h.chi_square.zip(h.df).map_or_else(String::new, |(x, df)| {
            format!("; chi-square {x:.2} on {}", text::count(df as usize, "degree of freedom", "degrees of freedom"))
        });
        blocks.push(Block::Text(format!("Are the listeners alike? {} by permutation{rough}.", named_p("p", h.p_value))));
    }
    if let Some(e) = r.second_opinion.as_ref() {
        let each: Vec<String> = r
            .listeners
            .iter()
            .filter_map(|l| {
                l.share_heard.map(|s| format!("{} {} ({} to {})", l.listener, percent(s.median), percent(s.low), percent(s.high)))
            })
            .collect();
        let panel = e.panel.map_or_else(String::new, |s| {
            format!(" Mean of listeners like these: {} ({} to {}).", percent(s.median), percent(s.low), percent(s.high))
        });
        blocks.push(Block::Text(format!(
            "A second opinion, which decides nothing: share of trials truly heard, median and 95 % interval: {}.{panel} Prior: {}.",
            each.join(", "),
            e.prior
        )));
    }
    if let Some(upper) = r.population_upper95 {
        blocks.push(Block::Text(format!(
            "Listeners like these: about {} of trials at most (approximate 95 % limit).",
            percent(upper)
        )));
    }
    if let Some(c) = &r.confidence {
        blocks.push(Block::Text(format!(
            "Did they know when they were right? Area under the type-2 curve {:.2} (0.50 for no), {}.",
            c.area,
            named_p("p", c.p_value)
        )));
    }
    if let Some(pairs) = &r.preference {
        let rows = pairs.iter().map(|pair| vec![named(pair), pair.first_preferred.to_string()]).collect();
        blocks.push(table(&["pair", "preferred"], rows));
        let notes = notes(r, pairs, r.scale.as_ref());
        if !notes.is_empty() {
            blocks.push(Block::List(notes));
        }
    }
    blocks
}

fn notes(r: &TestResult, pairs: &[PreferenceDoc], scale: Option<&ScaleDoc>) -> Vec<String> {
    let mut notes: Vec<String> = pairs
        .iter()
        .filter(|_| pairs.len() > 1)
        .map(|q| format!("{} against {}: p {}, after Holm {}", q.first, q.second, p(q.p_value), p(q.p_holm)))
        .collect();
    if r.p_listeners.is_some() {
        notes.push(
            "The p is over listeners: each as likely to lean either way, to the same degree. Picks of one listener are not independent opinions."
                .to_owned(),
        );
    }
    if let Some(order) = scale.and_then(|s| s.order_effect.as_ref()) {
        let which = if order.gamma >= 0.0 { "first" } else { "second" };
        notes.push(format!(
            "What sounded {which} was chosen more often than its setup explains by {:.2} in log odds ({}).",
            order.gamma.abs(),
            named_p("p", order.p_value)
        ));
    }
    if let Some(tiers) = scale.and_then(|s| s.tiers.as_ref()) {
        let groups: Vec<String> = tiers.iter().map(|g| g.iter().map(|s| s.as_str()).collect::<Vec<_>>().join(", ")).collect();
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
    notes
}
