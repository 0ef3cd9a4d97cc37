//! The terminal page: near-black, plain pads of one colour and shape, the trial's number, the keys. Nothing on it moves with what sounds:
//! the place in the loop is the same for every slot.

use super::page::{Page, Stage};
use crate::cli::text::{broken, place};
use crate::testing::listen::Listening;
use ratatui::Frame;
use ratatui::layout::{Alignment, Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Block, BorderType, Borders, Paragraph, Wrap};

impl Page {
    fn style(&self, bright: bool) -> Style {
        let style = if self.color {
            Style::new().bg(Color::Rgb(12, 12, 12)).fg(if bright { Color::Rgb(225, 220, 210) } else { Color::Rgb(150, 146, 138) })
        } else {
            Style::new()
        };
        if bright { style.add_modifier(Modifier::BOLD) } else { style }
    }

    /// A screen of so few rows: the pads keep their labels and lose their frames, so that nothing of a trial is out of sight.
    const LOW: u16 = 18;

    pub(super) fn draw(&self, frame: &mut Frame<'_>, listening: &Listening<'_>) {
        let area = frame.area();
        frame.render_widget(Block::new().style(self.style(false)), area);
        let low = area.height < Self::LOW;
        let trial = matches!(
            self.stage,
            Stage::Listen | Stage::Answer(_) | Stage::Rate(..) | Stage::Confidence(..) | Stage::Remark(..) | Stage::Leave
        );
        let pads = match (trial, low) {
            (false, _) => 0,
            (true, true) => 1,
            (true, false) => 5,
        };
        let keys = self.keys(listening);
        let width = usize::from(area.width.max(1));
        // Lines break between words: as many rows as that takes, and no more than leave the question in sight.
        let rows: usize = keys.lines().map(|l| broken(l, width).len()).sum();
        let help = u16::try_from(rows).unwrap_or(3).clamp(1, (area.height / 2).max(2));
        let [head, pads, text, keys_at] = Layout::vertical([
            Constraint::Length(if low { 1 } else { 3 }),
            Constraint::Length(pads),
            Constraint::Min(if low { 2 } else { 4 }),
            Constraint::Length(help),
        ])
        .areas(area);
        let lines = self.head(listening, low);
        frame.render_widget(Paragraph::new(lines).alignment(Alignment::Center).style(self.style(true)), head);
        if pads.height > 0 {
            self.pads(frame, pads, listening);
        }
        let body =
            Paragraph::new(self.body(listening)).alignment(Alignment::Center).wrap(Wrap { trim: true }).style(self.style(false));
        frame.render_widget(body, text);
        let help = keys.lines().flat_map(|l| broken(l, width)).map(Line::from).collect::<Vec<_>>();
        frame.render_widget(Paragraph::new(help).alignment(Alignment::Center).style(self.style(false)), keys_at);
    }

    fn head(&self, listening: &Listening<'_>, low: bool) -> Vec<Line<'static>> {
        let number = match listening.trial() {
            Some(trial) => {
                let planned = listening.standing().ok().and_then(|s| s.planned).map_or_else(String::new, |p| format!(" of {p}"));
                format!("Trial {}{planned}", trial.number)
            }
            None => "Listening".to_owned(),
        };
        let at = if listening.trial().is_some() { format!("   {}", place(listening.stands_at())) } else { String::new() };
        let line = Line::from(format!("{number}{at}"));
        if low { vec![line] } else { vec![Line::from(""), line] }
    }

    /// The same pad for every slot: one colour, one shape. The border of the one that was asked for last is doubled.
    fn pads(&self, frame: &mut Frame<'_>, area: Rect, listening: &Listening<'_>) {
        let labels = listening.trial().map(|t| t.labels.clone()).unwrap_or_default();
        let width = (area.width / labels.len().max(1) as u16).min(16);
        if area.height < 3 {
            let words =
                labels.iter().enumerate().map(|(i, l)| if self.slot == Some(i) { format!("[{l}]") } else { format!(" {l} ") });
            let line = Paragraph::new(words.collect::<Vec<_>>().join(" ")).alignment(Alignment::Center).style(self.style(true));
            frame.render_widget(line, area);
            return;
        }
        let row =
            Layout::horizontal(vec![Constraint::Length(width); labels.len()]).flex(ratatui::layout::Flex::Center).split(area);
        for (i, label) in labels.into_iter().enumerate() {
            let border = if self.slot == Some(i) { BorderType::Double } else { BorderType::Plain };
            let block = Block::new().borders(Borders::ALL).border_type(border).style(self.style(false));
            let pad = Paragraph::new(vec![Line::from(""), Line::from(label)])
                .alignment(Alignment::Center)
                .block(block)
                .style(self.style(true));
            frame.render_widget(pad, row[i]);
        }
    }

    fn body(&self, listening: &Listening<'_>) -> Vec<Line<'static>> {
        let lines = |texts: &[&'static str]| texts.iter().map(|t| Line::from(*t)).collect::<Vec<_>>();
        let mut out = match &self.stage {
            Stage::Caution => lines(self.cautions),
            Stage::Level => {
                let mut out = vec![Line::from("Noise sounds, as loud as the clips."), Line::from("")];
                out.extend(lines(self.cautions));
                out
            }
            Stage::Instructions => lines(listening.instructions()),
            Stage::Listen => vec![Line::from(listening.question())],
            Stage::Rate(ratings, at) => {
                let mut out = vec![Line::from(listening.question())];
                let labels = listening.trial().map(|t| t.choices.clone()).unwrap_or_default();
                for (i, (label, rating)) in labels.iter().zip(ratings).enumerate() {
                    let mark = if i == *at { ">" } else { " " };
                    out.push(Line::from(format!("{mark} {label} {:<20} {rating:>3}", "#".repeat(usize::from(*rating) / 5))));
                }
                out
            }
            Stage::Answer(chosen) => {
                let said = if chosen.is_empty() {
                    "Your answer?".to_owned()
                } else {
                    format!("Your answer: {chosen}. Enter takes it down, for good.")
                };
                vec![Line::from(listening.question()), Line::from(said)]
            }
            Stage::Confidence(choice, typed) => vec![
                Line::from(format!("Your answer: {choice}.")),
                Line::from("How sure are you, from 0 (a guess) to 100 (certain)? It does not count; empty leaves it out."),
                Line::from(typed.clone()),
            ],
            Stage::Remark(choice, _, typed) => vec![
                Line::from(format!("Your answer: {choice}. Enter takes it down, for good.")),
                Line::from("A remark? What did you listen to? Empty leaves it out."),
                Line::from(typed.clone()),
            ],
            Stage::Lost => vec![Line::from("The sound stopped. Nothing is lost: a fresh trial waits for you.")],
            Stage::Training => {
                let mut out = vec![Line::from("Hear the setups openly for as long as you like; nothing counts yet.")];
                let sounds = listening.training_setup();
                let row = |(i, name): (usize, String)| {
                    let now = if sounds == Some(i) { "   sounds now" } else { "" };
                    Line::from(format!("{}: {name}{now}", i + 1))
                };
                out.extend(listening.training_names().into_iter().enumerate().map(row));
                out
            }
            Stage::Leave => vec![Line::from("Leave? This trial will be void; a fresh one waits for you.")],
            Stage::Break => vec![Line::from("That was a good number of trials without a break. Rest your ears if you like.")],
        };
        if !self.message.is_empty() {
            out.push(Line::from(""));
            out.push(Line::from(self.message.clone()));
        }
        out
    }

    fn keys(&self, listening: &Listening<'_>) -> String {
        match &self.stage {
            Stage::Caution => "Enter: play the noise     q: leave".to_owned(),
            Stage::Level => "Enter: the level is set     q: leave".to_owned(),
            Stage::Instructions | Stage::Break => "Enter: go on     t: hear the setups openly first     q: leave".to_owned(),
            Stage::Lost => "Enter: try the device again     q: leave".to_owned(),
            Stage::Training => "1 2 ...: hear     Enter: to the trials     q: leave".to_owned(),
            Stage::Confidence(..) => "0 to 100     Enter: go on     Esc: back".to_owned(),
            Stage::Remark(..) => "Enter: take it down     Esc: back".to_owned(),
            Stage::Listen => {
                let labels = listening.trial().map(|t| t.labels.join(" ").to_lowercase()).unwrap_or_default();
                format!(
                    "{labels}: hear     space: again     p: pause     Enter: answer     q: leave\ns e: begin, end a part to loop     w: the whole"
                )
            }
            Stage::Rate(..) => {
                let labels = listening.trial().map(|t| t.labels.join(" ").to_lowercase()).unwrap_or_default();
                format!("{labels}: hear     up, down: choose     left, right: rate, 0 to 100\nEnter: take all down     Esc: back")
            }
            Stage::Answer(_) => {
                let choices = listening.trial().map(|t| t.choices.join(" ").to_lowercase()).unwrap_or_default();
                format!("{choices}: choose     Enter: take it down     Esc: back")
            }
            Stage::Leave => "y: leave     any other key: stay".to_owned(),
        }
    }
}
