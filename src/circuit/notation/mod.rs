//! The notation for wirings, read by a small parser of our own: the grammar has ten lines, the messages are what matters.
//!
//! ```text
//! wiring   = ws expr ws
//! expr     = series / parallel / atom
//! series   = atom 1*( "+" atom )
//! parallel = atom 1*( ( "||" / "//" ) atom )   ; U+2225 is read as || too
//! atom     = *( "-" ) ( label / "(" expr ")" )
//! label    = ALPHA *15( ALPHA / DIGIT / "_" )   ; ASCII, capitals count
//! ```
//!
//! `+` and `||` side by side are a fault, not a guess: textbooks bind `||` tighter, some programs bind it looser. `//` is the same sign for
//! people at a shell, where an unquoted `||` ends the command; hints propose it. What is printed of a wiring has `||`.

mod fault;

pub use fault::{Fault, NotationError};

use super::network::Network;
use crate::model::ids::DriverLabel;

/// Longest wiring in characters.
pub const MAX_CHARS: usize = 256;
/// Deepest nesting of parentheses.
pub const MAX_DEPTH: usize = 32;
/// Most drivers in one wiring.
pub const MAX_DRIVERS: usize = 16;

/// Reads a wiring; any label may stand in it.
///
/// ```
/// use cabjury::circuit::notation::parse;
/// assert_eq!(parse("(B+A)||-(C + D)").unwrap().canonical().to_string(), "(A + B) || (-C + -D)");
/// let error = parse("A + B || C").unwrap_err();
/// assert_eq!((error.fault.name(), error.column), ("mixed-operators", 7));
/// assert_eq!(error.hint, "write A + (B // C) or (A + B) // C");
/// assert_eq!(parse("A//B").unwrap(), parse("A || B").unwrap());
/// ```
///
/// # Errors
/// [`NotationError`], the leftmost fault.
pub fn parse(text: &str) -> Result<Network, NotationError> {
    read(text, None)
}

/// Reads a wiring in which only the given drivers may stand.
///
/// # Errors
/// [`NotationError`], the leftmost fault; `unknown-driver` for any other label.
pub fn parse_known(text: &str, known: &[DriverLabel]) -> Result<Network, NotationError> {
    read(text, Some(known))
}

fn read(text: &str, known: Option<&[DriverLabel]>) -> Result<Network, NotationError> {
    let chars: Vec<char> = text.chars().take(MAX_CHARS).collect();
    let cut = text.chars().nth(MAX_CHARS).is_some();
    let mut parser = Parser { chars: &chars, at: 0, known, seen: Vec::new(), depth: 0, mixed: None };
    let found = parser.wiring();
    let fault = match (found, parser.mixed) {
        // What is cut off counts only when all before it can be read that far.
        (Ok(network), None) if !cut => return Ok(network),
        (Err(fault), Some(mixed)) => {
            if mixed.column < fault.column {
                mixed
            } else {
                fault
            }
        }
        (Err(fault), None) => fault,
        (Ok(_), Some(mixed)) => mixed,
        (Ok(_), None) => too_long(),
    };
    let fault = if cut && fault.column > MAX_CHARS { too_long() } else { fault };
    let fault = match unmatched_open(&chars) {
        Some(column) if !cut && column < fault.column => unbalanced(column, '('),
        _ => fault,
    };
    let hint = if fault.hint.is_empty() { "put parentheses round what belongs together".to_owned() } else { fault.hint };
    Err(NotationError { fault: fault.kind, column: fault.column, text: text.to_owned(), what: fault.what, hint })
}

/// Column of the leftmost `(` that is never closed.
fn unmatched_open(chars: &[char]) -> Option<usize> {
    let mut open = Vec::new();
    for (i, c) in chars.iter().enumerate() {
        match c {
            '(' => open.push(i + 1),
            ')' => drop(open.pop()),
            _ => {}
        }
    }
    open.first().copied()
}

struct Found {
    kind: Fault,
    column: usize,
    what: String,
    hint: String,
}

fn found(kind: Fault, column: usize, what: impl Into<String>, hint: impl Into<String>) -> Found {
    Found { kind, column, what: what.into(), hint: hint.into() }
}

fn too_long() -> Found {
    found(Fault::TooLong, MAX_CHARS + 1, "it is longer than 256 characters", "use shorter labels")
}

fn unbalanced(column: usize, which: char) -> Found {
    let hint = if which == '(' { "close it with )" } else { "take it away, or open a parenthesis before it" };
    found(Fault::Unbalanced, column, format!("the parenthesis {which} has no partner"), hint)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Operator {
    Series,
    Parallel,
}

impl Operator {
    fn text(self) -> &'static str {
        match self {
            Self::Series => " + ",
            Self::Parallel => " // ",
        }
    }
}

struct Parser<'a> {
    chars: &'a [char],
    /// Index of the next character.
    at: usize,
    known: Option<&'a [DriverLabel]>,
    seen: Vec<DriverLabel>,
    depth: usize,
    /// The leftmost place where operators mix: reading goes on, so that both readings can be offered.
    mixed: Option<Found>,
}

impl Parser<'_> {
    fn column(&self) -> usize {
        self.at + 1
    }

    fn peek(&mut self) -> Option<char> {
        while self.chars.get(self.at).is_some_and(|c| c.is_whitespace()) {
            self.at += 1;
        }
        self.chars.get(self.at).copied()
    }

    fn wiring(&mut self) -> Result<Network, Found> {
        if self.peek().is_none() {
            return Err(found(Fault::Empty, 1, "there is nothing in it", "write for example \"A + B\" or \"A // B\""));
        }
        let network = self.level()?;
        match self.peek() {
            Some(')') => Err(unbalanced(self.column(), ')')),
            _ => Ok(network),
        }
    }

    /// Members and operators of one level, up to its closing parenthesis or the end.
    fn level(&mut self) -> Result<Network, Found> {
        let (mut members, mut operators) = (vec![self.atom()?], Vec::new());
        while let Some(c) = self.peek() {
            if c == ')' {
                break;
            }
            let column = self.column();
            let operator = self.operator(c)?;
            if operators.first().is_some_and(|first| *first != operator) && self.mixed.is_none() {
                self.mixed = Some(found(Fault::MixedOperators, column, "+ and || stand side by side without parentheses", ""));
            }
            operators.push(operator);
            members.push(self.atom()?);
        }
        let first = operators.first().copied();
        if operators.iter().any(|o| Some(*o) != first) {
            let hint = readings(&members, &operators);
            if let Some(mixed) = self.mixed.as_mut().filter(|m| m.hint.is_empty()) {
                mixed.hint = hint;
            }
        }
        Ok(match first {
            Some(Operator::Parallel) => Network::parallel(members),
            _ => Network::series(members),
        })
    }

    fn operator(&mut self, c: char) -> Result<Operator, Found> {
        let column = self.column();
        match c {
            '+' => self.at += 1,
            '\u{2225}' => {
                self.at += 1;
                return Ok(Operator::Parallel);
            }
            '|' | '/' if self.chars.get(self.at + 1) == Some(&c) => {
                self.at += 2;
                return Ok(Operator::Parallel);
            }
            '-' => {
                let hint = "write + for series or // for parallel; a - only stands before a driver or a group";
                return Err(found(Fault::BadOperator, column, "- cannot join two drivers", hint));
            }
            '(' => return Err(missing_operator(column)),
            c if c.is_ascii_alphabetic() => return Err(missing_operator(column)),
            other => return Err(bad_character(column, other)),
        }
        Ok(Operator::Series)
    }

    fn atom(&mut self) -> Result<Network, Found> {
        let mut reversed = false;
        while self.peek() == Some('-') {
            reversed = !reversed;
            self.at += 1;
        }
        let network = match self.peek() {
            Some('(') => self.group()?,
            Some(c) if c.is_ascii_alphabetic() => Network::driver(self.label()?),
            Some(')') if self.depth == 0 => return Err(unbalanced(self.column(), ')')),
            Some(c @ ('|' | '/')) if self.chars.get(self.at + 1) != Some(&c) => return Err(bad_character(self.column(), c)),
            None | Some('+' | '|' | '/' | '\u{2225}' | ')') => {
                let what = "a driver or a group is missing here";
                return Err(found(Fault::MissingOperand, self.column(), what, "name a driver, or take the operator away"));
            }
            Some(other) => return Err(bad_character(self.column(), other)),
        };
        Ok(if reversed { network.reversed() } else { network })
    }

    fn group(&mut self) -> Result<Network, Found> {
        let column = self.column();
        if self.depth == MAX_DEPTH {
            return Err(found(Fault::TooDeep, column, "parentheses are more than 32 deep", "take needless parentheses away"));
        }
        self.at += 1;
        self.depth += 1;
        let network = self.level()?;
        self.depth -= 1;
        if self.peek() != Some(')') {
            return Err(unbalanced(column, '('));
        }
        self.at += 1;
        Ok(network)
    }

    fn label(&mut self) -> Result<DriverLabel, Found> {
        let start = self.at;
        while self.chars.get(self.at).is_some_and(|c| c.is_ascii_alphanumeric() || *c == '_') {
            self.at += 1;
        }
        let text: String = self.chars[start..self.at].iter().collect();
        let label = DriverLabel::new(&text).map_err(|_| {
            let what = format!("the label {text} is longer than 16 characters");
            found(Fault::BadCharacter, start + 17, what, "use a shorter label")
        })?;
        if self.seen.len() == MAX_DRIVERS {
            return Err(found(Fault::TooMany, start + 1, "this is the 17th driver", "a wiring holds up to 16 drivers"));
        }
        if self.known.is_some_and(|known| !known.contains(&label)) {
            return Err(self.unknown(start + 1, &label));
        }
        if self.seen.contains(&label) {
            let hint = "each driver stands in one place; give a second one a label of its own";
            return Err(found(Fault::DriverTwice, start + 1, format!("driver {label} stands here a second time"), hint));
        }
        self.seen.push(label.clone());
        Ok(label)
    }

    fn unknown(&self, column: usize, label: &DriverLabel) -> Found {
        let known: Vec<_> = self.known.unwrap_or_default().iter().map(DriverLabel::as_str).collect();
        let hint = match known.is_empty() {
            true => "name the drivers first".to_owned(),
            false => format!("known are {}", known.join(", ")),
        };
        found(Fault::UnknownDriver, column, format!("no driver is called {label}"), hint)
    }
}

fn missing_operator(column: usize) -> Found {
    found(Fault::MissingOperator, column, "an operator is missing before this", "write + for series or // for parallel")
}

fn bad_character(column: usize, c: char) -> Found {
    let hint = match c {
        '|' | '/' => "parallel is written // or ||",
        '&' | ',' | '*' | '\u{b7}' => "series is written +, parallel //",
        '\u{2212}' | '\u{2013}' | '\u{2014}' => "reversed is written with the plain hyphen -",
        '[' | ']' | '{' | '}' => "groups stand in ( )",
        c if c.is_ascii_digit() => "a label begins with a letter",
        _ => "a wiring holds labels (letters, digits, _), +, // or ||, - and parentheses",
    };
    found(Fault::BadCharacter, column, format!("{c:?} means nothing in a wiring"), hint)
}

/// Both readings of a level in which operators mix: `||` tighter, then `+` tighter.
fn readings(members: &[Network], operators: &[Operator]) -> String {
    let member = |n: &Network| if matches!(n, Network::Driver(_)) { n.to_string() } else { format!("({n})") };
    let reading = |tight: Operator| {
        let mut runs = vec![vec![member(&members[0])]];
        for (operator, next) in operators.iter().zip(&members[1..]) {
            match runs.last_mut() {
                Some(run) if *operator == tight => run.push(member(next)),
                _ => runs.push(vec![member(next)]),
            }
        }
        let loose = if tight == Operator::Series { Operator::Parallel } else { Operator::Series };
        let group = |run: &Vec<String>| if run.len() == 1 { run[0].clone() } else { format!("({})", run.join(tight.text())) };
        runs.iter().map(group).collect::<Vec<_>>().join(loose.text())
    };
    format!("write {} or {}", reading(Operator::Parallel), reading(Operator::Series))
}
