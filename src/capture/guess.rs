//! Which pattern a folder's names follow, as far as the session's own names tell.

use crate::capture::naming::Pattern;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::rig::Rig;

/// A piece of one name.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Setup,
    Mic,
    Take,
    Text(String),
}

/// Guesses the pattern that most of the names follow.
///
/// # Errors
/// No name holds a setup of the session.
pub(crate) fn guess(names: &[String], rig: &Rig, setup_given: bool) -> Result<Pattern, Failure> {
    let setups: Vec<&str> = rig.setups.iter().map(|s| s.name.as_str()).collect();
    let mics: Vec<&str> = rig.mics.iter().map(|m| m.name.as_str()).collect();
    let shapes: Vec<Vec<Piece>> = names.iter().map(|n| shape(n, &setups, &mics)).collect();
    let useful: Vec<&Vec<Piece>> = shapes.iter().filter(|s| setup_given || s.contains(&Piece::Setup)).collect();
    let alike = |a: &[Piece], b: &[Piece]| a.len() == b.len() && a.iter().zip(b).all(|(x, y)| kind(x) == kind(y));
    let best = useful.iter().max_by_key(|s| useful.iter().filter(|o| alike(s, o)).count());
    let Some(best) = best else {
        let message = format!(
            "no file's name holds one of the session's setups ({}), so it cannot be guessed which is which",
            setups.join(", ")
        );
        let next = "say how the names are made, as in --pattern \"{setup}_{mic}_{take}.wav\", or name the files after the setups";
        return Err(Failure::plain("pattern", Fate::WrongUse, message, next));
    };
    let group: Vec<&&Vec<Piece>> = useful.iter().filter(|s| alike(s, best)).collect();
    let words = best.iter().enumerate().map(|(i, piece)| match piece {
        Piece::Setup => "{setup}".to_owned(),
        Piece::Mic => "{mic}".to_owned(),
        Piece::Take => "{take}".to_owned(),
        Piece::Text(text) if group.iter().all(|s| s[i] == *piece) => text.clone(),
        Piece::Text(_) => "{*}".to_owned(),
    });
    Pattern::new(&words.collect::<String>())
}

fn kind(piece: &Piece) -> u8 {
    match piece {
        Piece::Setup => 0,
        Piece::Mic => 1,
        Piece::Take => 2,
        Piece::Text(_) => 3,
    }
}

fn shape(name: &str, setups: &[&str], mics: &[&str]) -> Vec<Piece> {
    // Mics first: `close-a` would otherwise lose its tail to a setup named `a`.
    let mut pieces = split_at_word(vec![Piece::Text(name.to_owned())], mics, &Piece::Mic);
    pieces = split_at_word(pieces, setups, &Piece::Setup);
    split_at_last_number(pieces)
}

/// The longest of the words that stands by itself in a text becomes a piece of its own, once.
fn split_at_word(pieces: Vec<Piece>, words: &[&str], piece: &Piece) -> Vec<Piece> {
    let mut words = words.to_vec();
    words.sort_by_key(|w| std::cmp::Reverse(w.len()));
    for word in words {
        for (i, text) in pieces.iter().enumerate() {
            if let Piece::Text(text) = text
                && let Some(at) = alone(text, word)
            {
                return replaced(&pieces, i, text, at, at + word.len(), piece);
            }
        }
    }
    pieces
}

/// Where a word stands with no letter or digit beside it, whatever its case.
pub(crate) fn alone(text: &str, word: &str) -> Option<usize> {
    let (lower, word) = (text.to_ascii_lowercase(), word.to_ascii_lowercase());
    let plain = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric());
    lower
        .match_indices(&word)
        .map(|(at, _)| at)
        .find(|at| plain(lower[..*at].chars().next_back()) && plain(lower[at + word.len()..].chars().next()))
}

fn split_at_last_number(pieces: Vec<Piece>) -> Vec<Piece> {
    for (i, piece) in pieces.iter().enumerate().rev() {
        let Piece::Text(text) = piece else { continue };
        // The ending of a file may hold a digit, and is not a number of a take.
        let body = if i + 1 == pieces.len() { text.rfind('.').unwrap_or(text.len()) } else { text.len() };
        let Some(last) = text[..body].rfind(|c: char| c.is_ascii_digit()) else { continue };
        let first = text[..last]
            .rfind(|c: char| !c.is_ascii_digit())
            .map_or(0, |at| at + text[at..].chars().next().map_or(1, char::len_utf8));
        return replaced(&pieces, i, text, first, last + 1, &Piece::Take);
    }
    pieces
}

fn replaced(pieces: &[Piece], i: usize, text: &str, from: usize, to: usize, piece: &Piece) -> Vec<Piece> {
    let mut out = pieces[..i].to_vec();
    if from > 0 {
        out.push(Piece::Text(text[..from].to_owned()));
    }
    out.push(piece.clone());
    if to < text.len() {
        out.push(Piece::Text(text[to..].to_owned()));
    }
    out.extend_from_slice(&pieces[i + 1..]);
    out
}
