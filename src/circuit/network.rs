//! A network of drivers as a value: series and parallel groups, nothing else. A bridge cannot be expressed, on purpose.

use crate::model::ids::DriverLabel;
use std::cmp::Ordering;
use std::fmt;

/// One driver in its place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Placed {
    /// Which driver.
    pub label: DriverLabel,
    /// True when its marked + is at the return side.
    pub reversed: bool,
}

/// A network. Series: the first named is nearest the tip. Groups hold two or more members and never directly a group of their own kind
/// when made by [`Network::series`] and [`Network::parallel`].
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Network {
    /// A single driver.
    Driver(Placed),
    /// Members share their current.
    Series(Vec<Network>),
    /// Members share their voltage.
    Parallel(Vec<Network>),
}

impl Network {
    /// A driver, its + towards the tip.
    #[must_use]
    pub fn driver(label: DriverLabel) -> Self {
        Self::Driver(Placed { label, reversed: false })
    }

    /// Members in series; members that are series groups themselves are taken in flat.
    #[must_use]
    pub fn series(members: Vec<Network>) -> Self {
        let flat = members.into_iter().flat_map(|m| match m {
            Self::Series(inner) => inner,
            other => vec![other],
        });
        Self::one_or(flat.collect(), Self::Series)
    }

    /// Members in parallel; members that are parallel groups themselves are taken in flat.
    #[must_use]
    pub fn parallel(members: Vec<Network>) -> Self {
        let flat = members.into_iter().flat_map(|m| match m {
            Self::Parallel(inner) => inner,
            other => vec![other],
        });
        Self::one_or(flat.collect(), Self::Parallel)
    }

    fn one_or(mut flat: Vec<Network>, group: fn(Vec<Network>) -> Self) -> Self {
        if flat.len() == 1 { flat.remove(0) } else { group(flat) }
    }

    /// The same network with every driver turned round.
    #[must_use]
    pub fn reversed(self) -> Self {
        match self {
            Self::Driver(placed) => Self::Driver(Placed { reversed: !placed.reversed, ..placed }),
            Self::Series(members) => Self::Series(members.into_iter().map(Self::reversed).collect()),
            Self::Parallel(members) => Self::Parallel(members.into_iter().map(Self::reversed).collect()),
        }
    }

    /// The drivers in the order of the text.
    #[must_use]
    pub fn drivers(&self) -> Vec<&Placed> {
        let mut found = Vec::new();
        self.collect(&mut found);
        found
    }

    fn collect<'a>(&'a self, found: &mut Vec<&'a Placed>) {
        match self {
            Self::Driver(placed) => found.push(placed),
            Self::Series(members) | Self::Parallel(members) => members.iter().for_each(|m| m.collect(found)),
        }
    }

    /// The canonical form: same network, members in a fixed order, single drivers in ASCII order first, then groups by their first
    /// label. Order never alters the load.
    #[must_use]
    pub fn canonical(&self) -> Self {
        let sorted = |members: &[Network]| {
            let mut members: Vec<_> = members.iter().map(Self::canonical).collect();
            members.sort_by(Self::order);
            members
        };
        match self {
            Self::Driver(placed) => Self::Driver(placed.clone()),
            Self::Series(members) => Self::series(sorted(members)),
            Self::Parallel(members) => Self::parallel(sorted(members)),
        }
    }

    fn order(&self, other: &Self) -> Ordering {
        let group = |n: &Self| !matches!(n, Self::Driver(_));
        group(self).cmp(&group(other)).then_with(|| self.first().cmp(&other.first()))
    }

    fn first(&self) -> Option<&DriverLabel> {
        match self {
            Self::Driver(placed) => Some(&placed.label),
            Self::Series(members) | Self::Parallel(members) => members.first().and_then(Self::first),
        }
    }

    fn write(&self, f: &mut fmt::Formatter<'_>, nested: bool) -> fmt::Result {
        let (members, operator) = match self {
            Self::Driver(placed) => return write!(f, "{}{}", if placed.reversed { "-" } else { "" }, placed.label),
            Self::Series(members) => (members, " + "),
            Self::Parallel(members) => (members, " || "),
        };
        if nested {
            f.write_str("(")?;
        }
        for (i, member) in members.iter().enumerate() {
            if i > 0 {
                f.write_str(operator)?;
            }
            member.write(f, true)?;
        }
        if nested { f.write_str(")") } else { Ok(()) }
    }
}

impl fmt::Display for Network {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write(f, false)
    }
}
