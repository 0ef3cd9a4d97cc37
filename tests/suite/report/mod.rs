//! The report: text as golden files, pages as a browser would meet them, plots read back from their SVG.

mod demo;
mod page;
mod plots;
mod sample;
