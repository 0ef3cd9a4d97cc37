//! Exact tests, intervals, d-prime, power, evidence, panels: check values and published tables.

pub(crate) mod cases;
mod edges;
mod program;
mod properties;
mod standing;
mod tables;
mod verdicts;

use serde_json::Value;

/// A number, or an exact ratio such as "1/3", or "inf".
fn number(value: &Value) -> f64 {
    match value {
        Value::String(s) if s == "inf" => f64::INFINITY,
        Value::String(s) => match s.split_once('/') {
            Some((a, b)) => a.parse::<f64>().unwrap() / b.parse::<f64>().unwrap(),
            None => s.parse().unwrap(),
        },
        other => other.as_f64().unwrap_or_else(|| panic!("no number: {other}")),
    }
}

fn whole(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("no whole number: {value}"))
}
