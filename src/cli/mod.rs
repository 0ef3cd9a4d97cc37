//! Commands, help, all printing, exit codes.

/// Runs the program with the process's own arguments.
#[must_use]
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
