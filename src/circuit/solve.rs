//! Series and parallel arithmetic, for resistances and for complex impedances alike. Open and short are values of their own, so that
//! zero and infinity never have to be numbers.
//!
//! `Z = Z1 + Z2 + ...` in series, `1/Z = 1/Z1 + 1/Z2 + ...` in parallel (OpenStax College Physics, ch. 21; Kuphaldt, Lessons in
//! Electric Circuits, DC ch. 5 and 7). Shares are found from the top down: in a series group the current is shared, in a parallel
//! group the voltage.

use super::network::Network;
use num_complex::Complex64;
use serde::{Serialize, Serializer};
use std::ops::{Add, Div, Mul, Neg};

/// What networks can be computed in: `f64` or `Complex64`.
pub trait Quantity: Copy + Add<Output = Self> + Mul<Output = Self> + Div<Output = Self> + Neg<Output = Self> {
    /// Zero.
    const ZERO: Self;
    /// One.
    const ONE: Self;
    /// True for zero itself.
    fn is_zero(self) -> bool;
}

impl Quantity for f64 {
    const ZERO: Self = 0.0;
    const ONE: Self = 1.0;
    fn is_zero(self) -> bool {
        self == 0.0
    }
}

impl Quantity for Complex64 {
    const ZERO: Self = Self { re: 0.0, im: 0.0 };
    const ONE: Self = Self { re: 1.0, im: 0.0 };
    fn is_zero(self) -> bool {
        self.re == 0.0 && self.im == 0.0
    }
}

/// An impedance (or a resistance), or none, or no way through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Branch<T> {
    /// No way through.
    Open,
    /// Straight through.
    Short,
    /// Ohms.
    Value(T),
}

impl<T: Quantity> Branch<T> {
    fn of(value: T) -> Self {
        if value.is_zero() { Self::Short } else { Self::Value(value) }
    }

    /// Members in series: open if one is open.
    #[must_use]
    pub fn series(members: impl IntoIterator<Item = Self>) -> Self {
        let mut sum = T::ZERO;
        for member in members {
            match member {
                Self::Open => return Self::Open,
                Self::Short => {}
                Self::Value(z) => sum = sum + z,
            }
        }
        Self::of(sum)
    }

    /// Members in parallel: short if one is a short.
    #[must_use]
    pub fn parallel(members: impl IntoIterator<Item = Self>) -> Self {
        let mut sum = T::ZERO;
        for member in members {
            match member {
                Self::Open => {}
                Self::Short => return Self::Short,
                Self::Value(z) => sum = sum + T::ONE / z,
            }
        }
        if sum.is_zero() { Self::Open } else { Self::Value(T::ONE / sum) }
    }

    /// The number, if it is one.
    #[must_use]
    pub fn value(self) -> Option<T> {
        match self {
            Self::Value(z) => Some(z),
            Self::Open | Self::Short => None,
        }
    }
}

impl Serialize for Branch<f64> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Open => serializer.serialize_str("open"),
            Self::Short => serializer.serialize_str("short"),
            Self::Value(ohm) => serializer.serialize_f64(*ohm),
        }
    }
}

impl std::fmt::Display for Branch<f64> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Open => f.write_str("open"),
            Self::Short => f.write_str("short"),
            Self::Value(ohm) => write!(f, "{:.*} ohm", f.precision().unwrap_or(2), ohm),
        }
    }
}

/// Load of a network whose drivers have the values that `of` says.
pub fn load<T: Quantity>(network: &Network, of: &dyn Fn(&crate::model::ids::DriverLabel) -> Branch<T>) -> Branch<T> {
    match network {
        Network::Driver(placed) => of(&placed.label),
        Network::Series(members) => Branch::series(members.iter().map(|m| load(m, of))),
        Network::Parallel(members) => Branch::parallel(members.iter().map(|m| load(m, of))),
    }
}

/// Voltage and current of one driver, counted from its marked + terminal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State<T> {
    /// Voltage, rms.
    pub v: T,
    /// Current, rms.
    pub i: T,
}

/// A network with its drivers numbered in the order of the text: for many frequencies in a row.
#[derive(Debug, Clone)]
pub struct Numbered {
    root: Node,
    drivers: usize,
}

#[derive(Debug, Clone)]
enum Node {
    Driver { index: usize, reversed: bool },
    Series(Vec<Node>),
    Parallel(Vec<Node>),
}

impl Numbered {
    /// Numbers the drivers as [`Network::drivers`] lists them.
    #[must_use]
    pub fn new(network: &Network) -> Self {
        let mut drivers = 0;
        let root = number(network, &mut drivers);
        Self { root, drivers }
    }

    /// Load, from one impedance per driver in the order of the text.
    #[must_use]
    pub fn load<T: Quantity>(&self, z: &[T]) -> Branch<T> {
        impedance(&self.root, z)
    }

    /// What every driver gets from a source of open-circuit voltage `e` behind `z_out`: `I = e / (Z + z_out)`, then downwards.
    /// Impedances are one per driver in the order of the text and not zero.
    pub fn share<T: Quantity>(&self, z: &[T], e: T, z_out: T, states: &mut Vec<State<T>>) {
        states.clear();
        states.resize(self.drivers, State { v: T::ZERO, i: T::ZERO });
        let (v, i) = match self.load(z) {
            Branch::Open => (e, T::ZERO),
            Branch::Short if z_out.is_zero() => (T::ZERO, T::ZERO),
            Branch::Short => (T::ZERO, e / z_out),
            Branch::Value(load) => {
                let i = e / (load + z_out);
                (i * load, i)
            }
        };
        spread(&self.root, z, v, i, states);
    }
}

fn number(network: &Network, next: &mut usize) -> Node {
    match network {
        Network::Driver(placed) => {
            *next += 1;
            Node::Driver { index: *next - 1, reversed: placed.reversed }
        }
        Network::Series(members) => Node::Series(members.iter().map(|m| number(m, next)).collect()),
        Network::Parallel(members) => Node::Parallel(members.iter().map(|m| number(m, next)).collect()),
    }
}

fn impedance<T: Quantity>(node: &Node, z: &[T]) -> Branch<T> {
    match node {
        Node::Driver { index, .. } => Branch::of(z[*index]),
        Node::Series(members) => Branch::series(members.iter().map(|m| impedance(m, z))),
        Node::Parallel(members) => Branch::parallel(members.iter().map(|m| impedance(m, z))),
    }
}

fn spread<T: Quantity>(node: &Node, z: &[T], v: T, i: T, states: &mut [State<T>]) {
    match node {
        Node::Driver { index, reversed } => states[*index] = if *reversed { State { v: -v, i: -i } } else { State { v, i } },
        Node::Series(members) => {
            for member in members {
                let across = impedance(member, z).value().map_or(T::ZERO, |zk| i * zk);
                spread(member, z, across, i, states);
            }
        }
        Node::Parallel(members) => {
            for member in members {
                let through = impedance(member, z).value().map_or(T::ZERO, |zk| v / zk);
                spread(member, z, v, through, states);
            }
        }
    }
}
