//! Text for a terminal: broken between words, freed of what steers a terminal.

/// Strong from here on.
pub const BOLD: &str = "\x1b[1m";
/// Neither strong nor coloured from here on.
pub const NORMAL: &str = "\x1b[0m";
/// Green.
pub const GREEN: &str = "\x1b[32m";
/// Yellow.
pub const YELLOW: &str = "\x1b[33m";
/// Red.
pub const RED: &str = "\x1b[31m";
/// Cyan.
pub const CYAN: &str = "\x1b[36m";

/// Everything that may steer a terminal: nothing of it comes from anybody else.
const OWN: [&str; 6] = [BOLD, NORMAL, GREEN, YELLOW, RED, CYAN];

/// Breaks lines between words; what goes on is indented by two more. A word that is longer than the line stays whole.
#[must_use]
pub fn fitted(text: &str, columns: usize) -> String {
    let mut out = Vec::new();
    for line in text.split('\n') {
        let indent = line.len() - line.trim_start_matches(' ').len();
        let mut rest = line;
        let mut lead = String::new();
        while let Some(at) = break_at(rest, columns.saturating_sub(lead.len()), if lead.is_empty() { indent } else { 0 }) {
            out.push(format!("{lead}{}", rest[..at].trim_end_matches(' ')));
            rest = rest[at..].trim_start_matches(' ');
            lead = " ".repeat((indent + 2).min(columns / 2));
        }
        out.push(lead + rest);
    }
    out.join("\n")
}

/// The byte of the space at which a line that is longer than so many columns goes on below; nothing where it fits.
fn break_at(line: &str, columns: usize, indent: usize) -> Option<usize> {
    let (mut column, mut best, mut at) = (0, None, 0);
    while let Some(c) = line[at..].chars().next() {
        if let Some(own) = OWN.iter().find(|own| line[at..].starts_with(**own)) {
            at += own.len();
            continue;
        }
        if c == ' ' && at > indent && (column <= columns || best.is_none()) {
            best = Some(at);
        }
        column += 1;
        at += c.len_utf8();
    }
    best.filter(|_| column > columns)
}

/// A text in lines of at most so many characters, broken between words, and between the pairs of key and meaning where that is possible.
#[must_use]
pub fn broken(text: &str, width: usize) -> Vec<String> {
    let mut out: Vec<String> = vec![String::new()];
    for part in text.split("     ") {
        let with = |line: &str, gap: &str, more: &str| line.chars().count() + gap.len() + more.chars().count() <= width;
        let last = out.len() - 1;
        if out[last].is_empty() && with("", "", part) {
            out[last].push_str(part);
        } else if with(&out[last], "     ", part) {
            out[last] = format!("{}     {part}", out[last]);
        } else {
            if !out[last].is_empty() {
                out.push(String::new());
            }
            for word in part.split(' ') {
                let last = out.len() - 1;
                if out[last].is_empty() {
                    out[last].push_str(word);
                } else if with(&out[last], " ", word) {
                    out[last] = format!("{} {word}", out[last]);
                } else {
                    out.push(word.to_owned());
                }
            }
        }
    }
    out
}

/// Where the loop stands, whole seconds and tenths; the part that is looped, and the whole's length.
#[must_use]
pub fn place((at, part, length): (f64, Option<(f64, Option<f64>)>, f64)) -> String {
    let part = match part {
        None => String::new(),
        Some((from, None)) => format!(", part from {from:.1}"),
        Some((from, Some(to))) => format!(", part {from:.1} to {to:.1}"),
    };
    format!("{:.1} of {length:.1} s{part}", at.min(length))
}

/// True for characters that steer a terminal or turn its text around. Titles, file names and notes may come from anybody.
#[must_use]
pub fn steers(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// What a terminal may get: text, line feeds, tabs, and the colours above.
#[must_use]
pub fn plain(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        if let Some(after) = OWN.iter().find_map(|own| rest.strip_prefix(own)) {
            out.push_str(&rest[..rest.len() - after.len()]);
            rest = after;
            continue;
        }
        rest = &rest[c.len_utf8()..];
        if matches!(c, '\n' | '\t') || !steers(c) {
            out.push(c);
        }
    }
    out
}

/// A document keeps such characters, in JSON's own writing.
#[must_use]
pub fn escaped(json: &str) -> String {
    use std::fmt::Write as _;
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if c != '\n' && steers(c) {
            // Writing to a String cannot fail; all of them are in the basic plane.
            let _ = write!(out, "\\u{:04x}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    out
}
