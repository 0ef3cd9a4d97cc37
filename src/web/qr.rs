//! A link as a code for a phone's camera (ISO/IEC 18004), by the `qrcode` crate.

use qrcode::render::{svg as drawing, unicode};
use qrcode::{EcLevel, QrCode};

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
    text.find("<svg").map(|at| text[at..].replacen("<svg", "<svg role=\"img\" aria-label=\"QR code of the link\"", 1))
}
