//! The terminal page of a sitting: what to do in large letters, meters as ruled rows.

use crate::capture::record::doc::View;
use ratatui::Frame;
use ratatui::layout::{Alignment, Constraint, Layout};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::Line;
use ratatui::widgets::{Block, Paragraph, Wrap};

fn style(color: bool, bright: bool) -> Style {
    let base = if color {
        Style::new().bg(Color::Rgb(12, 12, 12)).fg(if bright { Color::Rgb(225, 220, 210) } else { Color::Rgb(170, 166, 158) })
    } else {
        Style::new()
    };
    if bright { base.add_modifier(Modifier::BOLD) } else { base }
}

/// A row of a meter: 60 dB, one cell a decibel and a half.
fn bar(db: Option<f64>, hold: Option<f64>) -> String {
    let cell = |v: f64| ((v + 60.0) / 1.5).clamp(0.0, 40.0) as usize;
    let (now, hold) = (db.map_or(0, cell), hold.map(cell));
    (0..=40)
        .map(|i| {
            if Some(i) == hold {
                '|'
            } else if i < now {
                '='
            } else {
                '.'
            }
        })
        .collect()
}

/// Draws the page.
pub(super) fn draw(frame: &mut Frame<'_>, view: &View, typed: &str, message: &str, color: bool) {
    let (plain, bright) = (style(color, false), style(color, true));
    frame.render_widget(Block::new().style(plain), frame.area());
    let meters = u16::try_from(view.meters.len()).unwrap_or(8) * 2;
    let large = u16::try_from(view.large.len()).unwrap_or(6) + 1;
    let [head, big, rows, body, keys] = Layout::vertical([
        Constraint::Length(2),
        Constraint::Length(large),
        Constraint::Length(meters),
        Constraint::Min(3),
        Constraint::Length(2),
    ])
    .areas(frame.area());
    frame.render_widget(Paragraph::new(view.title.clone()).alignment(Alignment::Center).style(plain), head);
    let lines: Vec<Line<'_>> = view.large.iter().map(|t| Line::from(t.to_uppercase())).collect();
    frame.render_widget(Paragraph::new(lines).alignment(Alignment::Center).style(bright), big);
    let mut lines = Vec::new();
    for m in &view.meters {
        let peak = m.hold_db.map_or_else(|| "   -".to_owned(), |v| format!("{v:6.1}"));
        let clips = if m.clips > 0 { format!(", {} clipped", m.clips) } else { String::new() };
        lines.push(Line::from(format!("{:12} {} {peak} dBFS", m.mic, bar(m.peak_db, m.hold_db))));
        lines.push(Line::from(format!("{:12} {}{clips}", "", m.advice)));
    }
    frame.render_widget(Paragraph::new(lines).style(plain), rows);
    let mut lines: Vec<Line<'_>> = Vec::new();
    if view.typed {
        lines.push(Line::from(format!("{typed}_ ohm")).style(bright));
    }
    if let Some((done, of)) = view.progress.filter(|p| p.0 > 0.0) {
        lines.push(Line::from(format!("{done:.1} of {of:.1} s")));
    }
    lines.extend(message.lines().map(Line::from));
    if !message.is_empty() {
        lines.push(Line::from(""));
    }
    lines.extend(view.body.iter().map(|t| Line::from(t.clone())));
    frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: true }).style(plain), body);
    frame.render_widget(Paragraph::new(view.keys()).alignment(Alignment::Center).wrap(Wrap { trim: true }).style(plain), keys);
}
