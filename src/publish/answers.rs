//! Files of answers: rows with their line numbers, and what is wrong with a line.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use std::path::Path;

pub(crate) fn unfit(path: &Path, line: u64, what: impl std::fmt::Display, next: &str) -> Failure {
    Failure::at_path("votes", Fate::Unfit, path, format!("{}, line {line}: {what}", path.display()), next)
}

/// Rows of a file of answers: line number and the wanted columns, trimmed.
pub(crate) fn rows(path: &Path, bytes: &[u8], wanted: &[&str]) -> Result<Vec<(u64, Vec<String>)>, Failure> {
    let text = std::str::from_utf8(bytes)
        .map_err(|e| unfit(path, line_of(bytes, e.valid_up_to()), "it is not text (UTF-8)", "save it again as CSV, UTF-8"))?;
    let text = text.trim_start_matches('\u{feff}');
    let head = text.lines().next().unwrap_or_default();
    // Spreadsheets of half the world write semicolons.
    let delimiter = [b',', b';', b'\t'].into_iter().max_by_key(|d| head.bytes().filter(|b| b == d).count()).unwrap_or(b',');
    let mut reader =
        csv::ReaderBuilder::new().delimiter(delimiter).trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let next = format!("the first line names the columns: {}", wanted.join(","));
    let names: Vec<String> = reader.headers().map_err(|e| unfit(path, 1, e, &next))?.iter().map(str::to_lowercase).collect();
    let mut places = Vec::new();
    for name in wanted {
        let place = names.iter().position(|n| n == name);
        places.push(place.ok_or_else(|| unfit(path, 1, format!("there is no column {name}"), &next))?);
    }
    let mut out = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(0, csv::Position::line);
            unfit(path, line, "it cannot be read as CSV", "open it in a spreadsheet and save it again as CSV")
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(str::is_empty) {
            continue;
        }
        let cells: Vec<String> = places.iter().map(|p| record.get(*p).unwrap_or_default().to_owned()).collect();
        if let Some((name, _)) = wanted.iter().zip(&cells).find(|(_, c)| c.is_empty()) {
            return Err(unfit(path, line, format!("the column {name} is empty"), "fill it in, or remove the line"));
        }
        out.push((line, cells));
    }
    Ok(out)
}

fn line_of(bytes: &[u8], place: usize) -> u64 {
    bytes.iter().take(place).filter(|b| **b == b'\n').count() as u64 + 1
}

pub(crate) fn number(path: &Path, line: u64, text: &str, most: u64) -> Result<u32, Failure> {
    let read = text.parse::<u64>().ok().filter(|n| (1..=most).contains(n)).and_then(|n| u32::try_from(n).ok());
    read.ok_or_else(|| {
        unfit(
            path,
            line,
            format!("{text:?} is not a clip: a number from 1 to {most} is needed"),
            "correct the number, or remove the line",
        )
    })
}

pub(crate) fn nothing(path: &Path, empty: bool) -> Result<(), Failure> {
    if empty {
        let message = format!("{} holds no answers", path.display());
        return Err(Failure::at_path("no-votes", Fate::Unfit, path, message, "one line per person and clip: person,clip,choice"));
    }
    Ok(())
}

pub(crate) fn read(file: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(file).map_err(|e| {
        let message = format!("{} cannot be read: {e}", file.display());
        Failure::at_path("cannot-read", Fate::Unfit, file, message, "give the path of a CSV file of answers")
    })
}
