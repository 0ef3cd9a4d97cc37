//! The picks of a closed test one after another: how far the count is from chance, inside or outside of the band that guessing keeps to.

use super::card::shown;
use super::{Ground, MARGIN};
use crate::model::trial::Method;
use crate::paint::font::{Weight, fitted};
use crate::paint::paper::{Hang, Paper, Words};
use crate::paint::theme::Ink;
use crate::report::view::{ScoreView, TestView};
use crate::stats::binomial::pmf;

/// A test's picks in the order in which they were made.
#[derive(Debug, Clone, PartialEq)]
pub struct Reveal {
    /// Session and test.
    kicker: String,
    /// What was asked.
    asked: String,
    /// Shown with the last pick.
    headline: String,
    /// Simulated, exploratory.
    tags: String,
    /// What a mark above the middle is.
    what: String,
    chance: f64,
    picks: Vec<bool>,
    /// For each number of picks the count that 95 % of guessers lie within.
    band: Vec<[f64; 2]>,
}

/// The longest reveal, in frames; with more picks several appear at once.
pub const MOST: usize = 240;

/// The reveal of a closed test; `None` where no single count stands for it.
#[must_use]
pub fn reveal(title: &str, test: &TestView, score: &ScoreView) -> Option<Reveal> {
    if !test.method.one_count(test.setups.len()) || test.method == Method::Graded {
        return None;
    }
    let chance = score.result.count.chance?;
    let mut in_order: Vec<_> = score.picks.iter().filter(|p| p.scored && p.kind == "trial").collect();
    in_order.sort_by_key(|p| p.seq);
    let picks: Vec<bool> = in_order.iter().filter_map(|p| p.counted).collect();
    if picks.is_empty() {
        return None;
    }
    let words = super::words::words(test, score);
    let what = match test.setups.first() {
        Some(first) if test.method == Method::Preference => format!("picks of {first}"),
        _ => "right picks".to_owned(),
    };
    Some(Reveal {
        kicker: format!("{title} \u{b7} {}", test.test),
        asked: words.asked,
        headline: shown(&words.headline),
        tags: words.tags.join(", "),
        what,
        chance,
        band: (0..=picks.len() as u64).map(|n| quantiles(n, chance)).collect(),
        picks,
    })
}

/// Central 95 % of the count of right guesses: no more than 2.5 % on either side.
fn quantiles(n: u64, p: f64) -> [f64; 2] {
    let (mut below, mut low) = (0.0, 0);
    while low < n && below + pmf(low, n, p) <= 0.025 {
        below += pmf(low, n, p);
        low += 1;
    }
    let (mut above, mut high) = (0.0, n);
    while high > low && above + pmf(high, n, p) <= 0.025 {
        above += pmf(high, n, p);
        high -= 1;
    }
    [low as f64, high as f64]
}

impl Reveal {
    /// How many picks each frame shows, from none to all.
    #[must_use]
    pub fn frames(&self) -> Vec<usize> {
        let step = self.picks.len().div_ceil(MOST).max(1);
        (0..self.picks.len()).step_by(step).chain([self.picks.len()]).collect()
    }

    /// Right picks among the first `n`.
    #[must_use]
    pub fn right(&self, n: usize) -> usize {
        self.picks.iter().take(n).filter(|r| **r).count()
    }

    /// How long a frame stays, in milliseconds.
    #[must_use]
    pub fn milliseconds(&self, shown: usize) -> u16 {
        // About twelve seconds in all, and the end stays.
        let each = (12_000 / self.frames().len().max(1)).clamp(40, 600) as u16;
        if shown == self.picks.len() { 6000 } else { each }
    }

    /// The frame with the first `n` picks.
    #[must_use]
    pub fn frame(&self, n: usize, ground: Ground) -> String {
        let mut paper = Paper::new(ground.size.room(), ground.theme);
        let room = paper.width - 2.0 * MARGIN;
        let mut y = paper.paragraph((MARGIN, MARGIN - 14.0), room, Words::plain(28.0, Ink::Soft), &self.kicker);
        y = paper.paragraph((MARGIN, y), room, Words::bold(40.0, Ink::Ink), &self.asked);
        if !self.tags.is_empty() {
            y = paper.paragraph((MARGIN, y), room, Words::bold(30.0, Ink::Accent), &self.tags);
        }
        let all = self.picks.len();
        let right = self.right(n);
        // The place of the headline is kept from the first frame on, so that nothing jumps.
        let lines = if paper.width > paper.height { 2 } else { 4 };
        let size = fitted(&self.headline, Weight::Bold, room, lines, (64.0, 44.0));
        let words = Words { size, weight: Weight::Bold, ink: Ink::Accent };
        let end = paper.scratch().paragraph((MARGIN, y + 8.0), room, words, &self.headline);
        let text = if n == all { self.headline.clone() } else { format!("{right} of {n}") };
        paper.paragraph((MARGIN, y + 8.0), room, words, &text);
        let bottom = paper.height - MARGIN - 44.0;
        self.plot(&mut paper, n, (end + 24.0, bottom));
        let said = format!("{right} of {n} {}", self.what);
        paper.finish(&self.kicker, &said)
    }

    fn plot(&self, paper: &mut Paper, n: usize, (top, bottom): (f64, f64)) {
        let all = self.picks.len();
        let (left, right) = (MARGIN + 90.0, paper.width - MARGIN);
        let surplus = |k: f64, count: f64| k - self.chance * count;
        let reach = self.band.iter().enumerate().flat_map(|(i, b)| b.map(|k| surplus(k, i as f64).abs()));
        let path: Vec<f64> = (0..=all).map(|i| surplus(self.right(i) as f64, i as f64)).collect();
        let most = reach.chain(path.iter().map(|v| v.abs())).fold(1.0, f64::max) * 1.1;
        let x = |i: f64| left + (right - left) * i / all as f64;
        let y = |v: f64| f64::midpoint(top, bottom) - (bottom - top) / 2.0 * v / most;
        let edge = |side: usize| self.band.iter().enumerate().map(move |(i, b)| (i as f64, b[side]));
        let mut area: Vec<(f64, f64)> = edge(1).map(|(i, k)| (x(i), y(surplus(k, i)))).collect();
        area.extend(edge(0).collect::<Vec<_>>().into_iter().rev().map(|(i, k)| (x(i), y(surplus(k, i)))));
        paper.area(&area, Ink::Wash);
        paper.stroke((left, y(0.0)), (right, y(0.0)), Ink::Ink, 3.0);
        let small = Words::plain(28.0, Ink::Ink);
        let step = (most / 2.5).max(1.0).round();
        for k in [-2.0, -1.0, 0.0, 1.0, 2.0] {
            let v = k * step;
            if v.abs() <= most {
                let text = crate::report::text::signed(v, 0);
                paper.line_of_words((left - 16.0, y(v) + 10.0), small, Hang::Right, &text);
            }
        }
        let soft = Words::plain(28.0, Ink::Soft);
        let name = format!("{} more than chance; shaded: where 95 % of guessers are", self.what);
        let size = fitted(&name, Weight::Regular, right - left, 1, (28.0, 20.0));
        paper.line_of_words((left, top + 4.0), Words { size, ..soft }, Hang::Left, &name);
        paper.line_of_words(
            (right, bottom + 36.0),
            soft,
            Hang::Right,
            &format!("{all} scored picks, in the order they were made"),
        );
        let points: Vec<(f64, f64)> = path.iter().take(n + 1).enumerate().map(|(i, v)| (x(i as f64), y(*v))).collect();
        if points.len() > 1 {
            paper.trace(&points, Ink::Accent, 6.0);
        }
        if let Some(last) = points.last() {
            paper.dot(*last, 13.0, Ink::Accent, true, "count");
        }
    }
}
