//! The clips: excerpts chosen on a waveform, gains, what mismatch is left.

use super::layout::{command, once};
use crate::capture::outline::{Outline, outline};
use crate::model::explain::quoted;
use crate::model::failure::Failure;
use crate::publish::report::sketch;
use crate::report::content::compared;
use crate::report::page::piece;
use crate::testing::desk::records;
use crate::web::App;
use maud::{Markup, html};
use std::fmt::Write;
use std::path::Path;

/// Width of the waveform in its own units.
const WIDTH: usize = 600;

pub(super) fn page(folder: &Path, _app: &App) -> Result<Markup, Failure> {
    let takes = records::read(folder)?.takes;
    let used = takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).count();
    if used < 2 {
        return Ok(
            html! { p { "Clips need two takes or more; there are " (used) ". " a href="/runsheet" { "Import them on the run sheet" } "." } },
        );
    }
    let base = takes.iter().find(|t| t.setup.is_none()).or_else(|| takes.iter().find(|t| t.withdrawn.is_none()));
    let wave = base.map(|t| outline(folder, t, WIDTH)).transpose()?;
    let view = sketch(folder)?;
    let matching = compared::matching(&view);
    Ok(html! {
        section.part {
            h2 { "Make clips" }
            p { "Every clip is aligned, matched in loudness by gain alone, and measured again. Clips of older runs, and tests made from them, stay as they are." }
            form method="post" action="/match" data-slow="matching" {
                (once())
                @if let Some(wave) = &wave { (waveform(wave)) }
                div.grid {
                    div.field { label for="excerpt" { "Excerpt" } input #excerpt name="excerpt" value="whole" required; span.hint { "a name of your own" } }
                    div.field { label for="start" { "From" } input #start name="start" inputmode="decimal" placeholder="begin"; span.hint { "seconds" } }
                    div.field { label for="end" { "To" } input #end name="end" inputmode="decimal" placeholder="end"; span.hint { "seconds; leave both empty for all that takes share" } }
                }
                p { label { input type="checkbox" name="as_recorded" value="yes"; " Keep levels as recorded (one common gain): another question, and another test" } }
                button type="submit" { "Make the clips" }
            }
        }
        section.part {
            h2 { (matching.title) }
            @if matching.blocks.is_empty() { p { "No clips yet." } }
            @for block in &matching.blocks { (piece(block)) }
        }
        (command("Several excerpts at once:", &format!("cabjury match {} --excerpt NAME=START-END --excerpt ...", quoted(folder))))
    })
}

/// The outline of the DI (or of the first take) as a picture; the script lets two clicks set the fields.
fn waveform(wave: &Outline) -> Markup {
    let mut path = String::new();
    for (i, (low, high)) in wave.columns.iter().enumerate() {
        // Writing to a String cannot fail.
        let _ = write!(path, "M{i} {:.1}V{:.1}", 50.0 - 48.0 * f64::from(*high), 50.0 - 48.0 * f64::from(*low) + 0.5);
    }
    html! {
        figure.wave data-seconds=(format!("{:.3}", wave.seconds)) {
            svg viewBox={ "0 0 " (wave.columns.len()) " 100" } preserveAspectRatio="none" role="img"
                aria-label={ "Waveform of " (wave.name) ", " (format!("{:.1}", wave.seconds)) " seconds" } {
                rect.chosen x="0" y="0" width="0" height="100" {}
                path d=(path) {}
            }
            figcaption { (wave.name) ", " (format!("{:.1} s", wave.seconds)) ". Click where the excerpt begins, then where it ends, or type the times below." }
        }
    }
}
