//! Line by line: an empty line goes on, a key is typed as a letter, a reading as a number, `stop` stops a pass, `leave` ends the sitting.

use crate::capture::record::doc::View;
use crate::capture::record::sitting::{Press, Sitting};
use crate::cli::shell::Shell;
use crate::cli::values::ReadingArg;
use crate::model::failure::Failure;
use std::io::BufRead;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

/// Lines as they are typed; a thread of its own reads them, for the device needs looking after meanwhile.
struct Lines {
    from: Receiver<String>,
    next: Option<String>,
    ended: bool,
}

impl Lines {
    fn new() -> Self {
        let (tell, from) = channel();
        std::thread::spawn(move || std::io::stdin().lock().lines().map_while(Result::ok).all(|line| tell.send(line).is_ok()));
        Self { from, next: None, ended: false }
    }

    /// Waits a moment for a line.
    fn look(&mut self, wait: Duration) {
        if self.next.is_none() && !self.ended {
            match self.from.recv_timeout(wait) {
                Ok(line) => self.next = Some(line.trim().to_lowercase()),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => self.ended = true,
            }
        }
    }
}

fn show(shell: &mut Shell, view: &View) {
    shell.say(&format!("\n[{}] {}", view.title, view.large.join("; ")));
    view.body.iter().for_each(|line| shell.say(&format!("  {line}")));
    shell.say(&format!("  ({})", view.keys()));
    shell.flush();
}

fn meters(shell: &mut Shell, view: &View) {
    for m in &view.meters {
        let db = |v: Option<f64>| v.map_or_else(|| "-".to_owned(), |v| format!("{v:.1}"));
        shell.say(&format!("  {}: peak {} dBFS, {} clipped; {}", m.mic, db(m.hold_db), m.clips, m.advice));
    }
    shell.flush();
}

/// Runs until all is recorded, or nobody types any more.
pub(super) fn run(sitting: &mut Sitting, shell: &mut Shell) -> Result<(), Failure> {
    let mut lines = Lines::new();
    let mut shown = String::new();
    loop {
        sitting.tick()?;
        if let Some(said) = sitting.said() {
            shell.say(&said);
        }
        let view = sitting.view();
        let key = format!("{} {} {} {}", view.stage, view.title, view.large.first().map_or("", String::as_str), view.body.len());
        if view.stage != "warm-up" && key != shown || view.stage == "warm-up" && !shown.starts_with("warm-up") {
            show(shell, &view);
            shown = key;
        }
        if sitting.through() {
            return Ok(());
        }
        if sitting.runs() {
            // Time goes by itself; of what is typed meanwhile only a stop and leaving are looked at, the rest waits its turn.
            lines.look(Duration::from_micros(200));
            match lines.next.as_deref() {
                Some("stop") => {
                    lines.next = None;
                    sitting.press(&Press::Escape)?;
                }
                Some("leave" | "q") => return Ok(()),
                _ => {}
            }
            continue;
        }
        lines.look(Duration::from_millis(20));
        let Some(line) = lines.next.take() else {
            if lines.ended {
                return Ok(());
            }
            continue;
        };
        if !step(sitting, shell, &line)? {
            return Ok(());
        }
        shown.clear();
    }
}

/// One line; false when the sitting is left.
fn step(sitting: &mut Sitting, shell: &mut Shell, line: &str) -> Result<bool, Failure> {
    if matches!(line, "leave" | "q") {
        return Ok(false);
    }
    if sitting.asks_reading() {
        match line.parse::<ReadingArg>() {
            Ok(reading) => sitting.press(&Press::Reading(reading.0))?,
            Err(error) => shell.say(&format!("{error}.")),
        }
        return Ok(true);
    }
    match line {
        "" => sitting.press(&Press::Enter)?,
        "stop" => sitting.press(&Press::Escape)?,
        "again" => sitting.press(&Press::Key('a'))?,
        "m" => {
            // A second of the device's own time, so that the meters have something to show.
            let until = sitting.seconds() + 1.0;
            let since = std::time::Instant::now();
            while sitting.seconds() < until && since.elapsed() < Duration::from_secs(3) {
                sitting.tick()?;
                std::thread::sleep(Duration::from_micros(200));
            }
            meters(shell, &sitting.view());
        }
        keys => {
            for key in keys.chars() {
                sitting.press(&Press::Key(key))?;
            }
        }
    }
    Ok(true)
}
