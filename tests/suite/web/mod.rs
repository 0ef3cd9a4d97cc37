//! The desk without a socket: every refusal of the listening page's contract, and what no answer may tell.

mod compressed;
mod engineer;
mod gate;
mod guessing;
mod jobs;
mod killed;
mod known;
mod leak;
mod load;
mod names;
mod openly;
mod panel;
mod recording;
mod refusals;
mod rough;
mod support;
mod texts;
