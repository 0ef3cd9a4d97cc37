//! The desk without a socket: every refusal of the listening page's contract, and what no answer may tell.

mod compressed;
mod engineer;
mod gate;
mod jobs;
mod killed;
mod known;
mod leak;
mod load;
mod names;
mod panel;
mod refusals;
mod rough;
mod support;
