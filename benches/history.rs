//! What became of the benches' figures: `cargo bench --bench history` draws `benches/history.csv` as `benches/history.svg`.
//!
//! Every figure as a share of its first one, on one logarithmic scale: below 1 is quicker or smaller, or more gets done. Runs on different
//! machines are no comparison; the file is of one.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench stops at the first thing that fails, and says where its picture is"
)]

use plotters::prelude::*;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

#[derive(Debug, Deserialize)]
struct Row {
    date: String,
    bench: String,
    figure: String,
    value: f64,
    unit: String,
}

const SIZE: (u32, u32) = (1280, 720);
/// Figures in the legend: those that changed most.
const NAMED: usize = 12;

fn main() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches");
    let rows: Vec<Row> = csv::Reader::from_path(folder.join("history.csv")).unwrap().deserialize().map(Result::unwrap).collect();
    let mut runs: Vec<&str> = rows.iter().map(|r| r.date.as_str()).collect();
    runs.dedup();
    let mut figures: BTreeMap<(&str, &str), Vec<(usize, f64)>> = BTreeMap::new();
    for row in &rows {
        let run = runs.iter().position(|r| *r == row.date).unwrap();
        // What gets done is turned round, so that down is better everywhere.
        let value = if row.unit.ends_with("/s") || row.unit == "x" { 1.0 / row.value } else { row.value };
        figures.entry((&row.bench, &row.figure)).or_default().push((run, value));
    }
    let mut lines: Vec<(String, Vec<(f64, f64)>)> = figures
        .iter()
        .map(|((bench, figure), points)| {
            let first = points[0].1;
            (format!("{bench}: {figure}"), points.iter().map(|(run, v)| (*run as f64, v / first)).collect())
        })
        .collect();
    let moved = |points: &[(f64, f64)]| points.last().map_or(0.0, |p| p.1.ln().abs());
    lines.sort_by(|a, b| moved(&b.1).total_cmp(&moved(&a.1)));
    let (low, high) =
        lines.iter().flat_map(|l| &l.1).fold((0.5f64, 2.0f64), |(low, high), (_, v)| (low.min(v * 0.9), high.max(v * 1.1)));

    let path = folder.join("history.svg");
    let root = SVGBackend::new(&path, SIZE).into_drawing_area();
    root.fill(&WHITE).unwrap();
    let mut chart = ChartBuilder::on(&root)
        .caption("Figures of the benches, each as a share of its first", ("sans-serif", 24))
        .margin(16)
        .x_label_area_size(40)
        .y_label_area_size(60)
        .build_cartesian_2d(-0.2..(runs.len() as f64 - 0.5), (low..high).log_scale())
        .unwrap();
    chart
        .configure_mesh()
        .x_labels(runs.len())
        .x_label_formatter(&|x| {
            runs.get(x.round() as usize).filter(|_| (x - x.round()).abs() < 0.01).map_or(String::new(), ToString::to_string)
        })
        .y_desc("share of the first (less is better)")
        .draw()
        .unwrap();
    for (k, (name, points)) in lines.iter().enumerate() {
        let color = if k < NAMED { Palette99::pick(k).to_rgba() } else { BLACK.mix(0.2) };
        let series = chart.draw_series(LineSeries::new(points.iter().copied(), color.stroke_width(2)).point_size(3)).unwrap();
        if k < NAMED {
            series.label(name.as_str()).legend(move |(x, y)| PathElement::new([(x, y), (x + 16, y)], color.stroke_width(3)));
        }
    }
    chart.configure_series_labels().background_style(WHITE.mix(0.8)).border_style(BLACK.mix(0.3)).draw().unwrap();
    root.present().unwrap();
    println!("{} runs, {} figures: {}", runs.len(), lines.len(), path.display());
}
