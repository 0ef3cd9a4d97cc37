//! The terminal page: what the keys do.
//!
//! All keys lie under one hand and can be typed by a USB foot pedal: a slot's own label plays it, space plays the same slot again, p pauses,
//! Enter asks for the answer, then a label, then Enter to confirm; Esc goes back; q leaves.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::trial::Answer;
use crate::testing::listen::Listening;
use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use std::time::Duration;

/// Where the listener is.
pub(super) enum Stage {
    /// The caution is read; nothing sounds before a key.
    Caution,
    /// Noise sounds; the level is being set.
    Level,
    /// The instructions are read.
    Instructions,
    /// A trial is open.
    Listen,
    /// An answer is being chosen; the text is what has been chosen so far.
    Answer(String),
    /// Every sample is being rated: one rating each, and the one that is being set. All can be heard meanwhile.
    Rate(Vec<u8>, usize),
    /// How sure the listener is, as typed, with the choice.
    Confidence(String, String),
    /// A remark, as typed, with the choice and the confidence.
    Remark(String, Option<u8>, String),
    /// The setups are heard openly.
    Training,
    /// The sound device is gone, or had gaps; the open trial is void.
    Lost,
    /// Leaving was asked for.
    Leave,
    /// A break is advised.
    Break,
}

pub(super) struct Page {
    pub(super) stage: Stage,
    pub(super) slot: Option<usize>,
    pub(super) message: String,
    pub(super) color: bool,
    pub(super) cautions: &'static [&'static str],
    pub(super) brief: bool,
}

/// Where a rating begins: the middle of the scale.
const MIDDLE: u8 = 50;
/// What an arrow moves a rating by.
const STEP: u8 = 5;

fn failed(e: &std::io::Error) -> Failure {
    Failure::plain("terminal", Fate::Failed, format!("the terminal cannot be used: {e}"), "try another terminal, or --plain")
}

/// Runs until the listener is through or leaves; true when through. The terminal is put back however this ends.
pub(super) fn run(
    listening: &mut Listening<'_>,
    cautions: &'static [&'static str],
    brief: bool,
    color: bool,
) -> Result<bool, Failure> {
    let mut terminal = ratatui::try_init().map_err(|e| failed(&e))?;
    let page = Page { stage: Stage::Caution, slot: None, message: String::new(), color, cautions, brief };
    let result = serve(&mut terminal, listening, page);
    ratatui::restore();
    result
}

fn serve(terminal: &mut DefaultTerminal, listening: &mut Listening<'_>, mut page: Page) -> Result<bool, Failure> {
    let ended = crate::cli::signals::watch();
    loop {
        terminal.draw(|frame| page.draw(frame, listening)).map_err(|e| failed(&e))?;
        if ended.asked() {
            return Ok(false);
        }
        if !matches!(page.stage, Stage::Lost)
            && let Some(said) = listening.look_after_device()?
        {
            page.message = said;
            page.slot = None;
            page.stage = Stage::Lost;
        }
        if !event::poll(Duration::from_millis(50)).map_err(|e| failed(&e))? {
            continue;
        }
        let Event::Key(key) = event::read().map_err(|e| failed(&e))? else { continue };
        if key.kind != KeyEventKind::Press {
            continue;
        }
        if key.modifiers.contains(KeyModifiers::CONTROL) {
            if matches!(key.code, KeyCode::Char('c' | 'd')) {
                return Ok(false);
            }
            continue;
        }
        page.message.clear();
        if let Some(through) = page.key(key.code, listening)? {
            return Ok(through);
        }
    }
}

impl Page {
    /// Handles a key; some when the page is done with.
    fn key(&mut self, code: KeyCode, listening: &mut Listening<'_>) -> Result<Option<bool>, Failure> {
        match &self.stage {
            Stage::Caution => match code {
                KeyCode::Enter | KeyCode::Char(' ') => {
                    listening.level_noise(true);
                    self.stage = Stage::Level;
                }
                KeyCode::Char('q') => return Ok(Some(false)),
                _ => {}
            },
            Stage::Level => match code {
                KeyCode::Enter => {
                    listening.level_is_set()?;
                    self.stage = Stage::Instructions;
                    if self.brief {
                        self.open(listening)?;
                    }
                }
                KeyCode::Char('q') => return Ok(Some(false)),
                _ => {}
            },
            Stage::Instructions | Stage::Break => match code {
                KeyCode::Enter | KeyCode::Char(' ') => self.open(listening)?,
                KeyCode::Char('t') => self.stage = Stage::Training,
                KeyCode::Char('q') => return Ok(Some(false)),
                _ => {}
            },
            Stage::Training => return self.training_key(code, listening),
            Stage::Lost => match code {
                KeyCode::Enter => match listening.reconnect() {
                    Ok(()) => self.stage = Stage::Caution,
                    Err(error) => self.message = format!("{error}: {}.", error.explain().next()),
                },
                KeyCode::Char('q') => return Ok(Some(false)),
                _ => {}
            },
            Stage::Confidence(choice, typed) => {
                let (choice, typed) = (choice.clone(), typed.clone());
                self.sure_key(code, choice, typed);
            }
            Stage::Remark(choice, sure, typed) => {
                let (choice, sure, typed) = (choice.clone(), *sure, typed.clone());
                return self.remark_key(code, choice, sure, typed, listening);
            }
            Stage::Listen => self.listen_key(code, listening),
            Stage::Answer(chosen) => {
                let chosen = chosen.clone();
                return self.answer_key(code, chosen, listening);
            }
            Stage::Rate(ratings, at) => {
                let (ratings, at) = (ratings.clone(), *at);
                return self.rate_key(code, ratings, at, listening);
            }
            Stage::Leave => match code {
                KeyCode::Char('y') | KeyCode::Enter => return Ok(Some(false)),
                _ => self.stage = Stage::Listen,
            },
        }
        Ok(None)
    }

    fn training_key(&mut self, code: KeyCode, listening: &mut Listening<'_>) -> Result<Option<bool>, Failure> {
        match code {
            KeyCode::Enter => self.open(listening)?,
            KeyCode::Char('q') => return Ok(Some(false)),
            KeyCode::Char(c) => {
                let count = listening.training_names().len();
                if let Some(n) = c.to_digit(10).map(|d| d as usize).filter(|n| (1..=count).contains(n)) {
                    listening.train(n - 1)?;
                }
            }
            _ => {}
        }
        Ok(None)
    }

    fn sure_key(&mut self, code: KeyCode, choice: String, mut typed: String) {
        match code {
            KeyCode::Esc => self.stage = Stage::Answer(choice),
            KeyCode::Enter => {
                let sure = typed.parse::<u8>().ok().filter(|c| *c <= 100);
                if sure.is_some() || typed.is_empty() {
                    self.stage = Stage::Remark(choice, sure, String::new());
                } else {
                    self.message = "A number from 0 to 100, or nothing.".to_owned();
                }
            }
            KeyCode::Backspace => {
                typed.pop();
                self.stage = Stage::Confidence(choice, typed);
            }
            KeyCode::Char(c) if c.is_ascii_digit() && typed.len() < 3 => {
                typed.push(c);
                self.stage = Stage::Confidence(choice, typed);
            }
            _ => {}
        }
    }

    fn remark_key(
        &mut self,
        code: KeyCode,
        choice: String,
        sure: Option<u8>,
        mut typed: String,
        listening: &mut Listening<'_>,
    ) -> Result<Option<bool>, Failure> {
        match code {
            KeyCode::Esc => self.stage = Stage::Answer(choice),
            KeyCode::Enter => {
                let remark = Some(typed.trim().to_owned()).filter(|r| !r.is_empty());
                return self.take_down(&Answer { choice, confidence: sure, remark }, listening);
            }
            KeyCode::Backspace => {
                typed.pop();
                self.stage = Stage::Remark(choice, sure, typed);
            }
            KeyCode::Char(c) if typed.chars().count() < 200 => {
                typed.push(c);
                self.stage = Stage::Remark(choice, sure, typed);
            }
            _ => {}
        }
        Ok(None)
    }

    fn open(&mut self, listening: &mut Listening<'_>) -> Result<(), Failure> {
        if listening.trial().is_none() {
            listening.open_next()?;
        }
        self.slot = None;
        self.stage = Stage::Listen;
        Ok(())
    }

    fn listen_key(&mut self, code: KeyCode, listening: &mut Listening<'_>) {
        let labels = listening.trial().map(|t| t.labels.clone()).unwrap_or_default();
        match code {
            KeyCode::Char('q') => self.stage = Stage::Leave,
            KeyCode::Char('p') => {
                listening.pause();
                self.slot = None;
            }
            KeyCode::Char(' ') => {
                if let Some(slot) = self.slot {
                    listening.play(slot);
                }
            }
            KeyCode::Enter => {
                let unheard = listening.unheard();
                if unheard.is_empty() && listening.rates() {
                    let count = listening.trial().map_or(0, |t| t.choices.len());
                    self.stage = Stage::Rate(vec![MIDDLE; count], 0);
                } else if unheard.is_empty() {
                    self.stage = Stage::Answer(String::new());
                } else {
                    self.message = format!("Listen to {} first.", unheard.join(" and "));
                }
            }
            KeyCode::Char('s') => {
                listening.part_begins();
                self.message = "The part begins here; e ends it.".to_owned();
            }
            KeyCode::Char('e') => {
                self.message = if listening.part_ends() {
                    "From the next switch on this part is looped; w: the whole again.".to_owned()
                } else {
                    "A part needs half a second or more: s begins it, e ends it.".to_owned()
                };
            }
            KeyCode::Char('w') => {
                listening.part_is_whole();
                self.message = "From the next switch on the whole is looped.".to_owned();
            }
            KeyCode::Char(c) => {
                if let Some(slot) = labels.iter().position(|l| l.eq_ignore_ascii_case(&c.to_string())) {
                    listening.play(slot);
                    self.slot = Some(slot);
                }
            }
            _ => {}
        }
    }

    fn answer_key(&mut self, code: KeyCode, mut chosen: String, listening: &mut Listening<'_>) -> Result<Option<bool>, Failure> {
        let choices = listening.trial().map(|t| t.choices.clone()).unwrap_or_default();
        match code {
            KeyCode::Esc => {
                self.stage = Stage::Listen;
                return Ok(None);
            }
            KeyCode::Backspace => {
                chosen.pop();
            }
            KeyCode::Enter if !chosen.is_empty() => return self.confirm(&chosen, listening),
            KeyCode::Char(c) => {
                if let Some(choice) = choices.iter().find(|l| l.eq_ignore_ascii_case(&c.to_string())) {
                    chosen.clone_from(choice);
                }
            }
            _ => {}
        }
        self.stage = Stage::Answer(chosen);
        Ok(None)
    }

    /// Rating: a sample's own key sounds it, arrows choose and move, every rating stays within 0 to 100.
    fn rate_key(
        &mut self,
        code: KeyCode,
        mut ratings: Vec<u8>,
        mut at: usize,
        listening: &mut Listening<'_>,
    ) -> Result<Option<bool>, Failure> {
        let (labels, rated) = listening.trial().map(|t| (t.labels.clone(), t.choices.clone())).unwrap_or_default();
        let slot_of = |name: &str| labels.iter().position(|l| l.eq_ignore_ascii_case(name));
        let last = rated.len().saturating_sub(1);
        match code {
            KeyCode::Esc => {
                self.stage = Stage::Listen;
                return Ok(None);
            }
            KeyCode::Enter => {
                let all: Vec<String> = rated.iter().zip(&ratings).map(|(l, r)| format!("{l}={r}")).collect();
                self.stage = Stage::Rate(ratings, at);
                return self.confirm(&all.join(","), listening);
            }
            KeyCode::Down | KeyCode::Tab => at = (at + 1).min(last),
            KeyCode::Up | KeyCode::BackTab => at = at.saturating_sub(1),
            KeyCode::Left | KeyCode::Right | KeyCode::Home | KeyCode::End => {
                if let Some(rating) = ratings.get_mut(at) {
                    *rating = match code {
                        KeyCode::Left => rating.saturating_sub(STEP),
                        KeyCode::Right => rating.saturating_add(STEP).min(100),
                        KeyCode::Home => 0,
                        _ => 100,
                    };
                }
            }
            KeyCode::Char(c) => {
                let named = if c == ' ' { rated.get(at).cloned().unwrap_or_default() } else { c.to_string() };
                if let Some(slot) = slot_of(&named) {
                    listening.play(slot);
                    self.slot = Some(slot);
                    at = rated.iter().position(|r| r.eq_ignore_ascii_case(&named)).unwrap_or(at);
                }
            }
            _ => {}
        }
        self.stage = Stage::Rate(ratings, at);
        Ok(None)
    }

    fn confirm(&mut self, chosen: &str, listening: &mut Listening<'_>) -> Result<Option<bool>, Failure> {
        if listening.asks_confidence() {
            self.stage = Stage::Confidence(chosen.to_owned(), String::new());
            return Ok(None);
        }
        self.take_down(&Answer { choice: chosen.to_owned(), confidence: None, remark: None }, listening)
    }

    fn take_down(&mut self, answer: &Answer, listening: &mut Listening<'_>) -> Result<Option<bool>, Failure> {
        match listening.pick(answer) {
            Ok(()) => {}
            Err(error) if matches!(error.explain().fate(), Fate::Refused | Fate::WrongUse) => {
                self.message = format!("{error}: {}.", error.explain().next());
                return Ok(None);
            }
            Err(error) => return Err(error),
        }
        if listening.standing()?.through() {
            return Ok(Some(true));
        }
        if listening.break_advised() {
            self.stage = Stage::Break;
        } else {
            self.open(listening)?;
            self.message = "Taken down. A new trial.".to_owned();
        }
        Ok(None)
    }
}
