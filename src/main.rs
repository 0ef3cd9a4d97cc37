//! Hands the arguments over to the command line room.

fn main() -> std::process::ExitCode {
    cabjury::cli::main()
}
