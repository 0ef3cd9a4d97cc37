//! Figures that are kept from run to run: `benches/table` takes these lines into `benches/history.csv`, `benches/history.rs` draws them.

/// Prints a figure as such a line. Less is better, unless the unit is one of what gets done (`/s`, `x`).
pub(crate) fn kept(name: &str, value: f64, unit: &str) {
    println!("kept,{},{value:.6},{unit}", name.replace(',', ";"));
}
