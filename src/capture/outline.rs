//! The outline of a recording, for choosing excerpts: lowest and highest sample of so many equal stretches.

use crate::capture::recording as intake;
use crate::model::failure::Failure;
use crate::model::session::Take;
use crate::store::Session;
use std::path::Path;

/// An outline.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    /// What it is of.
    pub name: String,
    /// Its length.
    pub seconds: f64,
    /// Lowest and highest sample of each stretch, full scale 1.0.
    pub columns: Vec<(f32, f32)>,
}

/// The outline of a take's first channel in `columns` stretches.
///
/// # Errors
/// The recording cannot be read.
pub fn outline(folder: &Path, take: &Take, columns: usize) -> Result<Outline, Failure> {
    let audio = intake::load(&Session::open_read(folder)?, take)?;
    let samples = &audio.channels()[0];
    let stretch = samples.len().div_ceil(columns.max(1)).max(1);
    let ends = |part: &[f32]| part.iter().fold((0.0f32, 0.0f32), |(low, high), v| (low.min(*v), high.max(*v)));
    let name = take.setup.as_ref().map_or_else(|| "DI".to_owned(), |s| format!("{}, {s}", take.id));
    Ok(Outline {
        name,
        seconds: audio.frames() as f64 / audio.rate().as_f64(),
        columns: samples.chunks(stretch).map(ends).collect(),
    })
}
