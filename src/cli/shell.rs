//! Where all printing happens: people's text and documents on standard output, warnings and progress on standard error.

use super::bar::Bar;
use super::text::{BOLD, CYAN, GREEN, NORMAL, RED, YELLOW, escaped, fitted, plain};
use crate::model::failure::Failure;
use serde::Serialize;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What a coloured word stands for; the word itself always says it too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// A load that fits.
    Good,
    /// Something to mind: a tolerated load, a verdict that says nothing.
    Mind,
    /// Something that must not be done.
    Stop,
    /// A verdict, whichever way it went.
    Result,
}

/// Columns of the terminal that standard output is; nothing where it is none.
pub(crate) fn columns() -> Option<usize> {
    let columns = || ratatui::crossterm::terminal::size().ok().map(|(columns, _)| usize::from(columns));
    std::io::stdout().is_terminal().then(columns).flatten().filter(|c| *c >= 20)
}

/// How a command ended without an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// All was done. Exit code 0.
    Done,
    /// The document was printed, but the load must not be connected or the like. Exit code 3.
    Refused,
    /// The document was printed, but some input was not fit or an audit found problems. Exit code 4.
    Unfit,
}

impl Outcome {
    pub(crate) fn exit_code(self) -> ExitCode {
        ExitCode::from(match self {
            Self::Done => 0,
            Self::Refused => 3,
            Self::Unfit => 4,
        })
    }
}

/// `--color`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub(crate) enum ColorArg {
    /// When standard output is a terminal and NO_COLOR is not set.
    #[default]
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// The process's ways of saying something.
pub(crate) struct Shell {
    json: bool,
    color: bool,
    /// The first failure to write: reported once, at the end.
    failed: Option<std::io::Error>,
    /// The session that the command is about, as it was typed: stands in hints in the place of FOLDER.
    folder: Option<String>,
    /// A session that was typed elsewhere than in its place.
    misplaced: Option<String>,
}

impl Shell {
    pub(crate) fn new(json: bool, color: ColorArg) -> Self {
        let color = match color {
            ColorArg::Always => true,
            ColorArg::Never => false,
            ColorArg::Auto => std::io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty()),
        };
        Self { json, color, failed: None, folder: None, misplaced: None }
    }

    /// Names the session that the command is about, and one that stands elsewhere than in its place.
    pub(crate) fn about(&mut self, folder: Option<String>, misplaced: Option<String>) {
        (self.folder, self.misplaced) = (folder, misplaced);
    }

    /// A hint with the session's folder in the place of the word FOLDER, so that it can be typed as it stands.
    fn mended(&self, text: &str) -> String {
        match &self.folder {
            Some(folder) => {
                text.replace("new FOLDER", "new\u{0}FOLDER").replace(" FOLDER", &format!(" {folder}")).replace('\u{0}', " ")
            }
            None => text.to_owned(),
        }
    }

    /// What to do next about an error.
    fn next(&self, error: &Failure) -> String {
        let said = error.explain();
        match &self.misplaced {
            Some(folder) if matches!(said.kind(), "missing-folder" | "not-a-session") => {
                format!("the session's folder comes first: cabjury COMMAND {folder} ...")
            }
            // Typed as it stands in a help or a hint.
            None if said.kind() == "missing-folder" && said.path() == Some(std::path::Path::new("FOLDER")) => {
                "FOLDER stands for your session's folder: type its name there (which there are: cabjury sessions)".to_owned()
            }
            _ => self.mended(&said.next()),
        }
    }

    /// True when one JSON document is wanted and nothing else.
    pub(crate) fn json(&self) -> bool {
        self.json
    }

    /// True when escape sequences for colour may be printed.
    pub(crate) fn color(&self) -> bool {
        self.color
    }

    /// A line (or several) for people on standard output; nothing under `--json`.
    pub(crate) fn say(&mut self, text: &str) {
        if !self.json {
            let text = plain(text);
            self.put(&columns().map_or_else(|| text.clone(), |c| fitted(&text, c)));
        }
    }

    /// A question on standard error, without a line's end.
    pub(crate) fn ask(&self, text: &str) {
        let mut err = std::io::stderr();
        // A terminal that cannot be written to gives no answer either.
        let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
    }

    /// The document on standard output; nothing without `--json`.
    pub(crate) fn document<T: Serialize>(&mut self, document: &T) {
        if self.json {
            match serde_json::to_string_pretty(document) {
                Ok(text) => self.put(&escaped(&text)),
                Err(error) => self.failed = Some(error.into()),
            }
        }
    }

    /// Text on standard output whatever the mode (completions, for example).
    pub(crate) fn put(&mut self, text: &str) {
        let newline = if text.ends_with('\n') { "" } else { "\n" };
        if let Err(error) = write!(std::io::stdout().lock(), "{text}{newline}") {
            self.failed.get_or_insert(error);
        }
    }

    /// Hands on what was printed so far: for a program that goes on and is waited for.
    pub(crate) fn flush(&mut self) {
        if let Err(error) = std::io::stdout().lock().flush() {
            self.failed.get_or_insert(error);
        }
    }

    /// A warning on standard error.
    pub(crate) fn warn(&mut self, text: &str) {
        // Nobody can be told that standard error cannot be written.
        let text = format!("{}: {}", self.strong("warning"), plain(&self.mended(text)));
        let _ = writeln!(std::io::stderr().lock(), "{}", on_stderr(&text));
    }

    /// What is good to know and no warning, on standard error; nothing under `--json`.
    pub(crate) fn note(&mut self, text: &str) {
        if !self.json {
            // Nobody can be told that standard error cannot be written.
            let _ = writeln!(std::io::stderr().lock(), "{text}");
        }
    }

    /// The text in bold where that is possible.
    pub(crate) fn strong(&self, text: &str) -> String {
        if self.color { format!("{BOLD}{text}{NORMAL}") } else { text.to_owned() }
    }

    /// The text in the colour of what it stands for, where that is possible.
    pub(crate) fn toned(&self, tone: Tone, text: &str) -> String {
        let color = match tone {
            Tone::Good => GREEN,
            Tone::Mind => YELLOW,
            Tone::Stop => RED,
            Tone::Result => CYAN,
        };
        if self.color { format!("{BOLD}{color}{text}{NORMAL}") } else { text.to_owned() }
    }

    /// A progress bar for what takes longer than half a second; silent when standard error is no terminal.
    pub(crate) fn progress(&self) -> Bar {
        Bar::new(std::io::stderr().is_terminal(), Arc::default())
    }

    /// The same for work that Ctrl-C gives up in good order.
    pub(crate) fn progress_until_stopped(&self) -> Bar {
        let stop = Arc::new(AtomicBool::new(false));
        #[cfg(unix)]
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM] {
            // Where a signal cannot be watched, the system's own way of ending stays.
            let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
        }
        Bar::new(std::io::stderr().is_terminal(), stop)
    }

    /// An error, in the form that was asked for.
    pub(crate) fn error(&mut self, error: &Failure) -> ExitCode {
        let said = error.explain();
        let code = ExitCode::from(said.fate().exit_code());
        if self.json {
            let mut entry = error_entry(error);
            entry["next"] = self.next(error).into();
            self.document(&serde_json::json!({ "error": entry }));
        } else {
            let (what, next) = (plain(&said.to_string()), plain(&self.next(error)));
            let text = format!("{}: {what}\n  next: {next}", self.strong("error"));
            let _ = writeln!(std::io::stderr().lock(), "{}", on_stderr(&text));
        }
        code
    }

    /// Flushes; a reader that went away (a closed pipe) is no failure.
    pub(crate) fn finish(mut self, code: ExitCode) -> ExitCode {
        if let Err(error) = std::io::stdout().lock().flush() {
            self.failed.get_or_insert(error);
        }
        match self.failed {
            Some(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
                let _ = writeln!(std::io::stderr().lock(), "error: standard output cannot be written: {error}");
                ExitCode::from(1)
            }
            _ => code,
        }
    }
}

/// Broken between words where standard error is a terminal.
fn on_stderr(text: &str) -> String {
    let terminal = std::io::stderr().is_terminal();
    columns().filter(|_| terminal).map_or_else(|| text.to_owned(), |c| fitted(text, c))
}

/// `{kind, message, next, path, column}` of an error, as documents hold it.
pub(crate) fn error_entry(error: &Failure) -> serde_json::Value {
    let said = error.explain();
    serde_json::json!({
        "kind": said.kind(),
        "message": said.to_string(),
        "next": said.next(),
        "path": said.path().map(|p| p.display().to_string()),
        "column": said.column(),
    })
}

/// A line of a server's log on standard error: time, event, detail, as JSON.
#[cfg(feature = "hall")]
pub(crate) fn log_line(event: &str, detail: &str) {
    let line = serde_json::json!({ "at": jiff::Timestamp::now().to_string(), "event": event, "detail": detail });
    // Nobody can be told that standard error cannot be written.
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}
