//! Runs the built program in a folder of its own, as a person would.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use tempfile::TempDir;

/// What the program said and how it ended.
#[derive(Debug)]
pub(crate) struct Said {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
    line: String,
}

impl Said {
    pub(crate) fn new(line: String, output: Output) -> Self {
        let code = output.status.code().unwrap_or_else(|| panic!("{line}: ended by a signal: {:?}", output.status));
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        Self { code, out: text(output.stdout), err: text(output.stderr), line }
    }

    /// Checks the exit code, and that nothing panicked.
    #[track_caller]
    pub(crate) fn ends(self, code: i32) -> Self {
        assert!(!self.err.contains("panicked"), "{}\n{}", self.line, self.err);
        assert_eq!(self.code, code, "{}\n--- out\n{}\n--- err\n{}", self.line, self.out, self.err);
        self
    }

    /// The document on standard output: exactly one.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{}: {error}\n{}\n{}", self.line, self.out, self.err))
    }
}

/// A folder of its own for one test; gone with it.
pub(crate) struct Desk {
    dir: TempDir,
}

impl Desk {
    pub(crate) fn new() -> Self {
        Self { dir: TempDir::with_prefix("cabjury-test-").unwrap() }
    }

    pub(crate) fn path(&self) -> &Path {
        self.dir.path()
    }

    pub(crate) fn join(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// The program with these arguments, in this folder, with a plain environment.
    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_cabjury"));
        command
            .args(args)
            .current_dir(self.path())
            .env("NO_COLOR", "1")
            .env("COLUMNS", "100")
            .env("XDG_CONFIG_HOME", self.path().join("config"))
            .env("XDG_CACHE_HOME", self.path().join("cache"))
            .env("XDG_STATE_HOME", self.path().join("state"))
            .stdin(Stdio::null());
        command
    }

    /// Runs the program to its end.
    pub(crate) fn run(&self, args: &[&str]) -> Said {
        let output = self.command(args).output().unwrap();
        Said::new(format!("cabjury {}", args.join(" ")), output)
    }
}

/// Open files that this process may have from now on.
pub(crate) fn most_files() -> usize {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let now = getrlimit(Resource::Nofile);
    let _ = setrlimit(Resource::Nofile, Rlimit { current: now.maximum, maximum: now.maximum });
    getrlimit(Resource::Nofile).current.map_or(1 << 20, |n| usize::try_from(n).unwrap_or(1 << 20))
}
