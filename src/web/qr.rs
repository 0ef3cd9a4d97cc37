//! A link, or a line to publish, as a code for a phone's camera (ISO/IEC 18004), by the `qrcode` crate.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use qrcode::render::{svg as drawing, unicode};
use qrcode::{EcLevel, QrCode};
use std::io::Write;
use std::path::Path;

/// For a terminal; `None` when the link is too long for any code.
#[must_use]
pub fn text(link: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(link, EcLevel::M).ok()?;
    Some(code.render::<unicode::Dense1x2>().dark_color(unicode::Dense1x2::Light).light_color(unicode::Dense1x2::Dark).build())
}

/// For a page.
#[must_use]
pub(super) fn svg(link: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(link, EcLevel::M).ok()?;
    let text =
        code.render().min_dimensions(180, 180).dark_color(drawing::Color("#000")).light_color(drawing::Color("#fff")).build();
    // The element alone: a page is no place for an XML declaration.
    text.find("<svg").map(|at| text[at..].replacen("<svg", "<svg role=\"img\" aria-label=\"QR code of the text beside it\"", 1))
}

/// A picture of its own (SVG) for a post or a video, under a name that is not taken.
///
/// # Errors
/// Something has that name; the text is too long for any code; it cannot be written.
pub fn picture(path: &Path, text: &str) -> Result<(), Failure> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).map_err(|e| {
        Failure::plain(
            "too-long",
            Fate::Unfit,
            format!("{} characters fit into no QR code: {e}", text.len()),
            "publish it as text",
        )
    })?;
    let image =
        code.render().min_dimensions(480, 480).dark_color(drawing::Color("#000")).light_color(drawing::Color("#fff")).build();
    let failed = |e: std::io::Error| {
        let taken = e.kind() == std::io::ErrorKind::AlreadyExists;
        let (kind, fate) = if taken { ("exists-already", Fate::Refused) } else { ("cannot-write", Fate::Failed) };
        let what = if taken { "exists already and is never overwritten".to_owned() } else { format!("cannot be written: {e}") };
        Failure::at_path(kind, fate, path, format!("{} {what}", path.display()), "choose another name for the picture")
    };
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path).map_err(failed)?;
    file.write_all(image.as_bytes()).map_err(failed)
}
