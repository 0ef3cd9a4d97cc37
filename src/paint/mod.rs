//! Pictures that stand alone: SVG with measured words, the same as PNG, several as an animated PNG. Touches no file and no system font.
//!
//! * [`font`]: the bundled typeface, how wide words are, where lines break
//! * [`theme`]: light and dark, by names of what a colour is for
//! * [`paper`]: a drawing in the making
//! * [`raster`]: SVG to PNG

pub mod font;
pub mod paper;
pub mod raster;
pub mod theme;
