//! Every wiring of a few drivers: 1, 2, 8, 52, 472, 5504 for 1 to 6 labelled drivers, counted by brute force, and the reason why all
//! hypotheses of up to four drivers can simply be tried.

use super::network::Network;
use crate::model::ids::DriverLabel;

/// Every series/parallel wiring in which each driver stands once, in canonical form, each once.
#[must_use]
pub fn wirings(labels: &[DriverLabel]) -> Vec<Network> {
    match labels {
        [] => Vec::new(),
        [only] => vec![Network::driver(only.clone())],
        _ => {
            let mut all = groups(labels, Kind::Series);
            all.extend(groups(labels, Kind::Parallel));
            all
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Series,
    Parallel,
}

/// All wirings whose outermost group is of one kind: split into parts, none of which is a group of that kind again.
fn groups(labels: &[DriverLabel], kind: Kind) -> Vec<Network> {
    let mut found = Vec::new();
    for parts in partitions(labels) {
        if parts.len() < 2 {
            continue;
        }
        let mut products: Vec<Vec<Network>> = vec![Vec::new()];
        for part in &parts {
            let choices = match part.as_slice() {
                [only] => vec![Network::driver(only.clone())],
                _ => groups(part, if kind == Kind::Series { Kind::Parallel } else { Kind::Series }),
            };
            products = products
                .iter()
                .flat_map(|so_far| choices.iter().map(move |c| so_far.iter().cloned().chain([c.clone()]).collect()))
                .collect();
        }
        let group = |members| if kind == Kind::Series { Network::series(members) } else { Network::parallel(members) };
        found.extend(products.into_iter().map(|members| group(members).canonical()));
    }
    found
}

/// All ways to split a list into non-empty parts, order of the parts aside.
fn partitions(labels: &[DriverLabel]) -> Vec<Vec<Vec<DriverLabel>>> {
    let Some((first, rest)) = labels.split_first() else {
        return vec![Vec::new()];
    };
    let mut all = Vec::new();
    for partition in partitions(rest) {
        for i in 0..partition.len() {
            let mut joined = partition.clone();
            joined[i].insert(0, first.clone());
            all.push(joined);
        }
        let mut alone = vec![vec![first.clone()]];
        alone.extend(partition);
        all.push(alone);
    }
    all
}
