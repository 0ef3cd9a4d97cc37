//! The result card: what a test showed, for somebody who sees nothing else.

use super::dots::{Tally, said, tally};
use super::words::{self, Words as Card};
use super::{Ground, MARGIN, Picture, Size, scale};
use crate::paint::font::{Weight, fitted};
use crate::paint::paper::{Hang, LEADING, Paper, Words};
use crate::paint::theme::Ink;
use crate::report::view::{ScoreView, TestView};

/// The card of a closed test; `title` is the session's.
#[must_use]
pub fn card(title: &str, test: &TestView, score: &ScoreView, ground: Ground) -> Picture {
    let (card, count) = (words::words(test, score), tally(test, score));
    let room = ground.size.room();
    let mut paper = Paper::new(room, ground.theme);
    let sheet = Sheet {
        title,
        test: &test.test,
        card: &card,
        count: count.as_ref(),
        wide: room.0 > room.1 * 1.2,
        square: ground.size == Size::Square,
    };
    let foot = 1.3 * FOOT + 20.0;
    let limit = room.1 - MARGIN - foot;
    let s = scale(1.5, limit, |s| sheet.compose(&mut paper.scratch(), s));
    sheet.compose(&mut paper, s);
    sheet.foot(&mut paper);
    let alt = format!(
        "{}. {}{}. It does not say: {}.",
        card.headline,
        count.as_ref().map_or_else(String::new, |c| format!("{}. ", said(c))),
        card.facts.iter().map(|(name, text)| format!("{name}: {text}")).collect::<Vec<_>>().join(". "),
        card.not_said.join("; ")
    );
    let heading = format!("{}: {}", test.test, card.headline);
    Picture { svg: paper.finish(&heading, &alt), title: heading, alt }
}

/// Size of the line at the foot.
const FOOT: f64 = 24.0;
/// The smallest headline.
const LEAST_HEADLINE: f64 = 56.0;

struct Sheet<'a> {
    title: &'a str,
    test: &'a str,
    card: &'a Card,
    count: Option<&'a Tally>,
    wide: bool,
    /// Little room: names and texts run on.
    square: bool,
}

impl Sheet<'_> {
    fn compose(&self, paper: &mut Paper, s: f64) -> f64 {
        let room = paper.width - 2.0 * MARGIN;
        let y = self.head(paper, room, s);
        if self.wide {
            let gap = 84.0;
            let column = (room - gap) / 2.0;
            let right = self.facts(paper, (MARGIN + column + gap, y), column, s);
            let left = self.counted(paper, (MARGIN, y), column, s);
            return right.max(left);
        }
        let y = self.counted(paper, (MARGIN, y), room, s) + 24.0 * s;
        self.facts(paper, (MARGIN, y), room, s)
    }

    /// Session and tags, what was asked, the headline.
    fn head(&self, paper: &mut Paper, room: f64, s: f64) -> f64 {
        let kicker = Words::plain((30.0 * s).max(26.0), Ink::Soft);
        let mut y = MARGIN;
        y = pills(paper, (MARGIN, y), room, &self.card.tags, s);
        y = paper.paragraph((MARGIN, y), room, kicker, &format!("{} \u{b7} {}", self.title, self.test));
        y = paper.paragraph((MARGIN, y + 6.0 * s), room, Words::bold(40.0 * s, Ink::Ink), &self.card.asked);
        let lines = if self.wide { 2 } else { 4 };
        let largest = if self.square { 76.0 } else { 92.0 };
        let headline = shown(&self.card.headline);
        let size = fitted(&headline, Weight::Bold, room, lines, ((largest * s).max(LEAST_HEADLINE), LEAST_HEADLINE));
        let words = Words { size, weight: Weight::Bold, ink: Ink::Accent };
        y = paper.paragraph((MARGIN, y + 14.0 * s), room, words, &headline);
        y + 28.0 * s
    }

    fn counted(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> f64 {
        self.count.map_or(at.1, |count| count.draw(paper, at, room, s))
    }

    fn facts(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> f64 {
        let (name, text) = (Words::bold(26.0 * s, Ink::Soft), Words::plain(32.0 * s, Ink::Ink));
        if self.square {
            return self.run_on(paper, at, room, Words::plain(28.0 * s, Ink::Ink));
        }
        let mut y = at.1;
        for (label, value) in self.card.facts.iter().filter(|(_, v)| !v.is_empty()) {
            y = paper.paragraph((at.0, y), room, name, label);
            y = paper.paragraph((at.0, y), room, text, &shown(value)) + 14.0 * s;
        }
        let top = y;
        let inner = room - 28.0 * s;
        y = paper.paragraph((at.0 + 28.0 * s, y), inner, name, "It does not say");
        for point in &self.card.not_said {
            y = paper.paragraph((at.0 + 28.0 * s, y), inner, text, point);
        }
        paper.bar((at.0, top), (8.0 * s, y - top), Ink::Accent);
        y
    }

    /// The facts as lines that begin with their names.
    fn run_on(&self, paper: &mut Paper, at: (f64, f64), room: f64, words: Words) -> f64 {
        let mut y = at.1;
        for (label, value) in self.card.facts.iter().filter(|(_, v)| !v.is_empty()) {
            y = paper.paragraph((at.0, y), room, words, &format!("{label}: {}", shown(value))) + words.size * 0.2;
        }
        let bold = Words { weight: Weight::Bold, ..words };
        paper.paragraph((at.0, y), room, bold, &format!("It does not say: {}.", self.card.not_said.join("; ")))
    }

    fn foot(&self, paper: &mut Paper) {
        let words = Words::plain(FOOT, Ink::Soft);
        let size = fitted(&self.card.fingerprint, Weight::Regular, paper.width - 2.0 * MARGIN, 1, (FOOT, 14.0));
        let at = (MARGIN, paper.height - MARGIN + 10.0);
        paper.line_of_words(at, Words { size, ..words }, Hang::Left, &self.card.fingerprint);
    }
}

/// The headline with dashes as print has them, and with counts and p kept on one line; its words are the verdict's own.
#[must_use]
pub fn shown(headline: &str) -> String {
    let text = [(" - ", " \u{2013} "), (" = ", "\u{a0}=\u{a0}"), (" < ", "\u{a0}<\u{a0}"), (" %", "\u{a0}%")]
        .iter()
        .fold(headline.to_owned(), |text, (plain, print)| text.replace(plain, print));
    let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
    let parts: Vec<&str> = text.split(" of ").collect();
    let mut out = parts.first().copied().unwrap_or_default().to_owned();
    for pair in parts.windows(2) {
        let count = digit(pair[0].chars().last()) && digit(pair[1].chars().next());
        out.push_str(if count { "\u{a0}of\u{a0}" } else { " of " });
        out.push_str(pair[1]);
    }
    out
}

/// Words in frames, beside each other while there is room; the lower edge.
fn pills(paper: &mut Paper, at: (f64, f64), room: f64, tags: &[String], s: f64) -> f64 {
    if tags.is_empty() {
        return at.1;
    }
    let words = Words::bold((32.0 * s).max(24.0), Ink::Accent);
    let high = words.size * LEADING + 18.0 * s;
    let (mut x, mut y) = at;
    for tag in tags {
        let wide = words.width(tag) + 44.0 * s;
        if x > at.0 && x + wide > at.0 + room {
            (x, y) = (at.0, y + high + 12.0 * s);
        }
        paper.frame((x, y), (wide, high), Ink::Accent, 4.0 * s);
        paper.line_of_words((x + wide / 2.0, y + high / 2.0 + words.size * 0.36), words, Hang::Middle, tag);
        x += wide + 16.0 * s;
    }
    y + high + 12.0 * s
}
