//! Questions on a terminal.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use std::io::{BufRead, IsTerminal, Write};

/// True when somebody is there to be asked.
pub(super) fn somebody() -> bool {
    std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
}

fn failed(e: &std::io::Error) -> Failure {
    Failure::plain("input", Fate::Failed, format!("standard input cannot be read: {e}"), "try again, or add --yes")
}

/// Asks for yes or no on standard error; no when nobody is there.
pub(super) fn yes(question: &str) -> Result<bool, Failure> {
    if !somebody() {
        return Ok(false);
    }
    let answer = line(&format!("{question} y or n: "))?;
    Ok(matches!(answer.trim().to_lowercase().as_str(), "y" | "yes"))
}

/// Asks for a line; an input that has ended answers nothing.
pub(super) fn line(question: &str) -> Result<String, Failure> {
    Ok(answer(question)?.unwrap_or_default())
}

/// Asks for a line; none when the input has ended.
pub(super) fn answer(question: &str) -> Result<Option<String>, Failure> {
    let mut err = std::io::stderr().lock();
    // Nobody can be told that standard error cannot be written.
    let _ = write!(err, "{question}").and_then(|()| err.flush());
    let mut answer = String::new();
    let read = std::io::stdin().lock().read_line(&mut answer).map_err(|e| failed(&e))?;
    Ok((read > 0).then(|| answer.trim().to_owned()))
}
