//! temporary
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, dead_code, missing_docs)]
#[global_allocator]
static ALLOCATIONS: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;
#[path = "suite/faults/mod.rs"]
mod faults;
#[path = "suite/material.rs"]
mod material;
#[path = "suite/program.rs"]
mod program;
#[path = "suite/record/mod.rs"]
mod record;
#[path = "suite/trial_support.rs"]
mod trial_support;
