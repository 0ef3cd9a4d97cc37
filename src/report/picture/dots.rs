//! A count as a picture: one mark per trial, filled where right, with the step to which chance alone would fill it.

use crate::model::trial::Method;
use crate::paint::font::Weight;
use crate::paint::paper::{Hang, LEADING, Paper, Words};
use crate::paint::theme::Ink;
use crate::report::content::verdicts::named;
use crate::report::text::{expected, signed};
use crate::report::view::{ScoreView, TestView};

/// What is counted.
#[derive(Debug, Clone, PartialEq)]
pub enum Tally {
    /// One mark per trial.
    Dots(Dots),
    /// Quartiles on a scale from 0 to 100: name, lower quartile, median, upper quartile.
    Boxes(Vec<(String, [f64; 3])>),
    /// Pairs: name, times the first was preferred, picks.
    Pairs(Vec<(String, u64, u64)>),
}

/// One mark per trial.
#[derive(Debug, Clone, PartialEq)]
pub struct Dots {
    /// Filled marks.
    pub right: u64,
    /// Rings.
    pub wrong: u64,
    /// Crosses.
    pub unanswered: u64,
    /// How many by chance.
    pub chance: f64,
    /// How many were needed.
    pub needed: Option<u64>,
    /// Names of filled marks and rings.
    pub names: [String; 2],
}

/// Beyond this a mark per trial cannot be seen: a bar stands for all.
const MOST: u64 = 400;

/// The picture of a test's count; `None` where nothing was counted.
#[must_use]
pub fn tally(test: &TestView, score: &ScoreView) -> Option<Tally> {
    let (r, c) = (&score.result, &score.result.count);
    if test.method == Method::Graded {
        let ratings = score.ratings();
        return (!ratings.is_empty()).then_some(Tally::Boxes(ratings));
    }
    if !test.method.one_count(test.setups.len()) {
        let pairs: Vec<_> = r.preference.iter().flatten().map(|p| (named(p), p.first_preferred, p.picks)).collect();
        return (!pairs.is_empty()).then_some(Tally::Pairs(pairs));
    }
    let (right, chance) = (c.correct?, c.chance?);
    if c.trials == 0 {
        return None;
    }
    let by_scored = r.critical_by_scored.iter().flatten().find(|k| k.scored == c.trials).and_then(|k| k.critical);
    let names = match test.setups.as_slice() {
        [first, second, ..] if test.method == Method::Preference => [first.clone(), second.clone()],
        _ => ["right".to_owned(), "wrong".to_owned()],
    };
    Some(Tally::Dots(Dots {
        right,
        wrong: c.trials.saturating_sub(right + r.unanswered),
        unanswered: r.unanswered,
        chance: chance * c.trials as f64,
        needed: c.critical.or(by_scored).filter(|_| test.method != Method::Preference),
        names,
    }))
}

impl Tally {
    /// Draws below `at`, as wide as `room`, at scale `s`; the lower edge.
    pub fn draw(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> f64 {
        match self {
            Self::Dots(dots) => dots.draw(paper, at, room, s),
            Self::Boxes(rows) => boxes(paper, at, room, s, rows),
            Self::Pairs(rows) => pairs(paper, at, room, s, rows),
        }
    }
}

/// Where marks lie: columns are filled from the left, each from the top.
struct Grid {
    at: (f64, f64),
    pitch: f64,
    rows: u64,
}

impl Grid {
    fn place(&self, i: u64) -> (f64, f64) {
        let (column, row) = (i / self.rows, i % self.rows);
        (self.at.0 + (column as f64 + 0.5) * self.pitch, self.at.1 + (row as f64 + 0.5) * self.pitch)
    }

    /// The step behind the first `n` marks, from above the grid to below it: points, and where its two ends are.
    fn step(&self, n: u64, over: f64) -> Vec<(f64, f64)> {
        let (columns, rest) = (n / self.rows, n % self.rows);
        let x = |c: u64| self.at.0 + c as f64 * self.pitch;
        let (top, bottom) = (self.at.1 - over, self.at.1 + self.rows as f64 * self.pitch + over);
        if rest == 0 {
            return vec![(x(columns), top), (x(columns), bottom)];
        }
        let y = self.at.1 + rest as f64 * self.pitch;
        vec![(x(columns + 1), top), (x(columns + 1), y), (x(columns), y), (x(columns), bottom)]
    }
}

impl Dots {
    fn all(&self) -> u64 {
        self.right + self.wrong + self.unanswered
    }

    fn draw(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> f64 {
        let label = Words { size: 30.0 * s, weight: Weight::Regular, ink: Ink::Ink };
        let over = 14.0 * s;
        let top = at.1 + label.size * LEADING + over;
        let n = self.all();
        let (bottom, chance, needed) =
            if n > MOST { self.bar(paper, (at.0, top), room, s) } else { self.marks(paper, (at.0, top), room, s) };
        let inside = |x: f64, text: &str| {
            let half = label.width(text) / 2.0;
            x.clamp(at.0 + half, (at.0 + room - half).max(at.0 + half))
        };
        let text = format!("chance {}", expected(self.chance));
        paper.line_of_words((inside(chance, &text), top - over - 6.0 * s), label, Hang::Middle, &text);
        let mut y = bottom + over;
        if let (Some(k), Some(x)) = (self.needed, needed) {
            let text = format!("needed {k}");
            paper.line_of_words((inside(x, &text), y + label.size), label, Hang::Middle, &text);
            y += label.size * LEADING;
        }
        self.legend(paper, (at.0, y + 10.0 * s), room, s)
    }

    /// One mark per trial; lower edge, x of the chance step's upper end, x of the needed step's lower end.
    fn marks(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> (f64, f64, Option<f64>) {
        let n = self.all();
        let least = 30.0 * s;
        let rows = (1..=n).find(|r| room / n.div_ceil(*r) as f64 >= least).unwrap_or(n).max(if n > 24 { 4 } else { 1 });
        let pitch = (room / n.div_ceil(rows) as f64).min(72.0 * s);
        let grid = Grid { at, pitch, rows };
        let radius = pitch * 0.38;
        for i in 0..n {
            let place = grid.place(i);
            if i < self.right {
                paper.dot(place, radius, Ink::Accent, true, "right");
            } else if i < self.right + self.wrong {
                paper.dot(place, radius, Ink::Ink, false, "wrong");
            } else {
                cross(paper, place, radius * 0.7);
            }
        }
        let over = 14.0 * s;
        let chance = grid.step(self.chance.floor() as u64, over);
        paper.trace(&chance, Ink::Ink, 4.0 * s);
        let mut end = None;
        if let Some(k) = self.needed.filter(|k| *k <= n) {
            let step = grid.step(k, over);
            for pair in step.windows(2) {
                paper.dashed(pair[0], pair[1], Ink::Ink, 3.0 * s);
            }
            end = step.last().map(|p| p.0);
        }
        (at.1 + rows as f64 * pitch, chance.first().map_or(at.0, |p| p.0), end)
    }

    /// Too many for marks: one bar.
    fn bar(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> (f64, f64, Option<f64>) {
        let (height, over) = (90.0 * s, 14.0 * s);
        let x = |k: f64| at.0 + room * k / self.all() as f64;
        paper.bar(at, (room, height), Ink::Wash);
        paper.bar(at, (x(self.right as f64) - at.0, height), Ink::Accent);
        let chance = x(self.chance);
        paper.stroke((chance, at.1 - over), (chance, at.1 + height + over), Ink::Ink, 4.0 * s);
        let needed = self.needed.filter(|k| *k <= self.all()).map(|k| x(k as f64));
        if let Some(x) = needed {
            paper.dashed((x, at.1 - over), (x, at.1 + height + over), Ink::Ink, 3.0 * s);
        }
        (at.1 + height, chance, needed)
    }

    fn legend(&self, paper: &mut Paper, at: (f64, f64), room: f64, s: f64) -> f64 {
        let words = Words::bold(34.0 * s, Ink::Ink);
        let radius = 13.0 * s;
        let mut parts = vec![(0, format!("{} {}", self.right, self.names[0])), (1, format!("{} {}", self.wrong, self.names[1]))];
        if self.unanswered > 0 {
            parts.push((2, format!("{} unanswered", self.unanswered)));
        }
        let (mut x, mut y) = at;
        for (mark, text) in parts {
            let wide = radius * 2.0 + 12.0 * s + words.width(&text);
            if x > at.0 && x + wide > at.0 + room {
                x = at.0;
                y += words.size * LEADING;
            }
            let middle = (x + radius, y + words.size * 0.66);
            match mark {
                0 => paper.dot(middle, radius, Ink::Accent, true, "key"),
                1 => paper.dot(middle, radius, Ink::Ink, false, "key"),
                _ => cross(paper, middle, radius * 0.7),
            }
            paper.line_of_words((x + radius * 2.0 + 12.0 * s, y + words.size), words, Hang::Left, &text);
            x += wide + 44.0 * s;
        }
        y + words.size * LEADING
    }
}

fn cross(paper: &mut Paper, at: (f64, f64), r: f64) {
    let (x, y) = at;
    paper.stroke((x - r, y - r), (x + r, y + r), Ink::Soft, r * 0.4);
    paper.stroke((x - r, y + r), (x + r, y - r), Ink::Soft, r * 0.4);
}

fn boxes(paper: &mut Paper, at: (f64, f64), room: f64, s: f64, rows: &[(String, [f64; 3])]) -> f64 {
    let (name, small) = (Words::bold(32.0 * s, Ink::Ink), Words::plain(28.0 * s, Ink::Soft));
    let mut y = at.1;
    for (label, [low, median, high]) in rows {
        let text = format!("{label}: {median:.0} (middle half {low:.0} to {high:.0})");
        y = paper.paragraph((at.0, y), room, name, &text);
        let x = |v: f64| at.0 + room * v / 100.0;
        paper.bar((at.0, y + 8.0 * s), (room, 26.0 * s), Ink::Wash);
        paper.bar((x(*low), y + 8.0 * s), (x(*high) - x(*low), 26.0 * s), Ink::Soft);
        paper.bar((x(*median) - 4.0 * s, y + 2.0 * s), (8.0 * s, 38.0 * s), Ink::Accent);
        y += 52.0 * s;
    }
    paper.line_of_words((at.0, y + small.size), small, Hang::Left, "0: far from it");
    paper.line_of_words((at.0 + room, y + small.size), small, Hang::Right, "100: like the reference");
    y + small.size * LEADING
}

fn pairs(paper: &mut Paper, at: (f64, f64), room: f64, s: f64, rows: &[(String, u64, u64)]) -> f64 {
    let words = Words::plain(30.0 * s, Ink::Ink);
    let mut y = at.1;
    for (label, first, picks) in rows {
        y = paper.paragraph((at.0, y), room, words, &format!("{first}: {label}"));
        let share = *first as f64 / (*picks).max(1) as f64;
        paper.bar((at.0, y + 6.0 * s), (room, 24.0 * s), Ink::Wash);
        paper.bar((at.0, y + 6.0 * s), (room * share, 24.0 * s), Ink::Accent);
        paper.stroke((at.0 + room / 2.0, y), (at.0 + room / 2.0, y + 36.0 * s), Ink::Ink, 3.0 * s);
        y += 52.0 * s;
    }
    let note = Words::plain(28.0 * s, Ink::Soft);
    paper.line_of_words((at.0 + room / 2.0, y + note.size), note, Hang::Middle, "the line: as often as not");
    y + note.size * LEADING
}

/// The count in words, for who does not see the picture.
#[must_use]
pub fn said(tally: &Tally) -> String {
    match tally {
        Tally::Dots(d) => {
            let needed = d.needed.map_or_else(String::new, |k| format!(", needed {k}"));
            let missing = if d.unanswered > 0 { format!(", {} unanswered", d.unanswered) } else { String::new() };
            format!("{} {}, {} {}{missing}; chance {}{needed}", d.right, d.names[0], d.wrong, d.names[1], expected(d.chance))
        }
        Tally::Boxes(rows) => {
            let each: Vec<String> =
                rows.iter().map(|(n, q)| format!("{n} {}", signed(q[1], 0).trim_start_matches('+'))).collect();
            format!("median ratings: {}", each.join(", "))
        }
        Tally::Pairs(rows) => rows.iter().map(|(n, a, _)| format!("{a}: {n}")).collect::<Vec<_>>().join("; "),
    }
}
