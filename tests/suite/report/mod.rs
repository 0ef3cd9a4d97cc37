//! The report: text as golden files, pages as a browser would meet them, plots read back from their SVG.

mod demo;
mod page;
mod pictures;
mod plots;
mod sample;
