//! The terminal page: keys in, the view out, the device looked after in between.

use super::look::draw;
use crate::capture::record::sitting::{Press, Sitting};
use crate::cli::signals;
use crate::cli::values::ReadingArg;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use std::time::Duration;

fn failed(e: &std::io::Error) -> Failure {
    Failure::plain("terminal", Fate::Failed, format!("the terminal cannot be used: {e}"), "try another terminal, or --plain")
}

/// Runs until the sitting is left. The terminal is put back however this ends.
pub(super) fn run(sitting: &mut Sitting, color: bool) -> Result<(), Failure> {
    let mut terminal = ratatui::try_init().map_err(|e| failed(&e))?;
    let result = serve(&mut terminal, sitting, color);
    ratatui::restore();
    result
}

fn serve(terminal: &mut DefaultTerminal, sitting: &mut Sitting, color: bool) -> Result<(), Failure> {
    let ended = signals::watch();
    let (mut typed, mut message) = (String::new(), String::new());
    loop {
        sitting.tick()?;
        message = sitting.said().unwrap_or(message);
        let view = sitting.view();
        terminal.draw(|frame| draw(frame, &view, &typed, &message, color)).map_err(|e| failed(&e))?;
        if ended.asked() {
            return Ok(());
        }
        let wait = if sitting.runs() { 10 } else { 30 };
        if !event::poll(Duration::from_millis(wait)).map_err(|e| failed(&e))? {
            continue;
        }
        let Event::Key(key) = event::read().map_err(|e| failed(&e))? else { continue };
        if key.kind != KeyEventKind::Press {
            continue;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            if matches!(key.code, KeyCode::Char('c' | 'd')) {
                return Ok(());
            }
            continue;
        }
        if key.code != KeyCode::Null {
            message.clear();
        }
        let leaves = |key: &str| view.offers.iter().any(|o| o.leaves && o.key == key);
        if sitting.asks_reading() {
            match key.code {
                KeyCode::Enter => {
                    match typed.parse::<ReadingArg>() {
                        Ok(reading) => sitting.press(&Press::Reading(reading.0))?,
                        Err(error) => message = format!("{error}."),
                    }
                    typed.clear();
                }
                KeyCode::Backspace => drop(typed.pop()),
                KeyCode::Char(c) if typed.len() < 12 => typed.push(c),
                KeyCode::Esc if leaves("Esc") => return Ok(()),
                _ => {}
            }
            continue;
        }
        match key.code {
            KeyCode::Char('q') if leaves("q") => return Ok(()),
            KeyCode::Enter => sitting.press(&Press::Enter)?,
            KeyCode::Esc => sitting.press(&Press::Escape)?,
            KeyCode::Char(c) => sitting.press(&Press::Key(c))?,
            _ => {}
        }
    }
}
