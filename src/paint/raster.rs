//! SVG to PNG, and several pictures to an animated PNG. The typeface is the bundled one, whatever a drawing asks for.

use super::font::{FAMILY, FILES};
use crate::model::explain::{Explain, Fate};
use png::{BitDepth, ColorType, Compression, Encoder};
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};
use std::sync::{Arc, LazyLock};

/// A picture that could not be made. Everything is in memory, so this is a defect and not something a user did.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a picture could not be made: {what}")]
pub struct PaintError {
    /// What the drawing library said.
    pub what: String,
}

impl Explain for PaintError {
    fn kind(&self) -> &'static str {
        "picture"
    }
    fn next(&self) -> String {
        "this is a defect of the program; the numbers themselves are in: cabjury score FOLDER --json".to_owned()
    }
    fn fate(&self) -> Fate {
        Fate::Failed
    }
}

fn failed(error: impl std::fmt::Display) -> PaintError {
    PaintError { what: error.to_string() }
}

static FONTS: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut fonts = fontdb::Database::new();
    FILES.iter().for_each(|file| fonts.load_font_data(file.to_vec()));
    fonts.set_sans_serif_family(FAMILY);
    Arc::new(fonts)
});

fn options() -> Options<'static> {
    Options { fontdb: Arc::clone(&FONTS), font_family: FAMILY.to_owned(), ..Options::default() }
}

/// A drawing as pixels.
#[derive(Debug, Clone)]
pub struct Pixels {
    /// Width.
    pub width: u32,
    /// Height.
    pub height: u32,
    /// Red, green, blue; a drawing has a ground, so nothing is transparent.
    pub rgb: Vec<u8>,
}

/// Draws an SVG at its own size.
///
/// # Errors
/// It is not an SVG, or has no size.
pub fn pixels(svg: &str) -> Result<Pixels, PaintError> {
    let tree = Tree::from_str(svg, &options()).map_err(failed)?;
    let size = tree.size().to_int_size();
    let mut map = Pixmap::new(size.width(), size.height()).ok_or_else(|| failed("no size"))?;
    resvg::render(&tree, Transform::default(), &mut map.as_mut());
    let rgb = map.data().chunks_exact(4).flat_map(|p| [p[0], p[1], p[2]]).collect();
    Ok(Pixels { width: size.width(), height: size.height(), rgb })
}

/// Boxes of all words of a drawing: text, left, top, right, bottom, in pixels.
///
/// # Errors
/// It is not an SVG.
pub fn words(svg: &str) -> Result<Vec<(String, [f32; 4])>, PaintError> {
    fn walk(group: &resvg::usvg::Group, out: &mut Vec<(String, [f32; 4])>) {
        for node in group.children() {
            match node {
                resvg::usvg::Node::Group(inner) => walk(inner, out),
                resvg::usvg::Node::Text(text) => {
                    let b = text.abs_bounding_box();
                    let said: String = text.chunks().iter().map(resvg::usvg::TextChunk::text).collect();
                    out.push((said, [b.left(), b.top(), b.right(), b.bottom()]));
                }
                _ => {}
            }
        }
    }
    let tree = Tree::from_str(svg, &options()).map_err(failed)?;
    let mut out = Vec::new();
    walk(tree.root(), &mut out);
    Ok(out)
}

fn encoder(out: &mut Vec<u8>, size: (u32, u32)) -> Encoder<'_, &mut Vec<u8>> {
    let mut encoder = Encoder::new(out, size.0, size.1);
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Eight);
    // Flat areas: the quick one is small enough.
    encoder.set_compression(Compression::Fast);
    encoder
}

/// A PNG of pixels.
///
/// # Errors
/// The encoder refuses.
pub fn png(pixels: &Pixels) -> Result<Vec<u8>, PaintError> {
    let mut out = Vec::new();
    let mut writer = encoder(&mut out, (pixels.width, pixels.height)).write_header().map_err(failed)?;
    writer.write_image_data(&pixels.rgb).map_err(failed)?;
    writer.finish().map_err(failed)?;
    Ok(out)
}

/// An animated PNG that plays once: so many frames of one size, each with how long it stays in milliseconds. Frames are taken one by one.
///
/// # Errors
/// A frame could not be drawn, or the encoder refuses it.
pub fn animated(
    size: (u32, u32),
    count: u32,
    frames: impl Iterator<Item = Result<(Pixels, u16), PaintError>>,
) -> Result<Vec<u8>, PaintError> {
    let mut out = Vec::new();
    let mut encoder = encoder(&mut out, size);
    encoder.set_animated(count, 1).map_err(failed)?;
    let mut writer = encoder.write_header().map_err(failed)?;
    for frame in frames {
        let (pixels, ms) = frame?;
        writer.set_frame_delay(ms, 1000).map_err(failed)?;
        writer.write_image_data(&pixels.rgb).map_err(failed)?;
    }
    writer.finish().map_err(failed)?;
    Ok(out)
}
