//! Text as a terminal gets it.

use cabjury::cli::text::{BOLD, NORMAL, RED, broken, escaped, fitted, place, plain, steers};

#[test]
fn lines_break_between_words_at_any_width() {
    let text = "  the ohmmeter should read about 12.80 ohm\nshort\n\na-word-that-is-longer-than-the-line and more";
    for columns in 20..60 {
        let out = fitted(text, columns);
        assert!(out.lines().all(|l| l.chars().count() <= columns || !l.trim().contains(' ')), "{columns}: {out}");
        let words = |t: &str| t.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(words(&out), words(text));
    }
    assert_eq!(fitted("  one two three", 9), "  one two\n    three");
    // Colours take no room.
    let red = format!("{RED}one two{NORMAL} three");
    assert_eq!(fitted(&red, 13), red);
}

/// A title that writes to the clipboard (OSC 52 of the terminal's control sequences), rings, turns text around or hides it.
#[test]
fn text_from_anybody_cannot_steer_a_terminal() {
    assert_eq!(plain("a\x1b]52;c;aGk=\x07b\u{9b}31mc\u{202e}d\r\x7f"), "a]52;c;aGk=b31mcd");
    assert_eq!(plain("two\nlines\tand a tab"), "two\nlines\tand a tab");
    assert_eq!(plain(&format!("{BOLD}x{NORMAL}\x1b[8mhidden")), format!("{BOLD}x{NORMAL}[8mhidden"));
    let odd = "\u{9b}\u{202e}\x7f";
    let json = escaped(&serde_json::to_string_pretty(&[odd]).unwrap_or_default());
    assert!(!json.chars().any(|c| c != '\n' && steers(c)));
    assert_eq!(serde_json::from_str::<Vec<String>>(&json).ok(), Some(vec![odd.to_owned()]));
}

#[test]
fn keys_and_their_meanings_stay_together() {
    let keys = "a b x: hear     space: again     p: pause     Enter: answer     q: leave";
    for width in [20, 32, 40, 79] {
        let lines = broken(keys, width);
        assert!(lines.iter().all(|l| l.chars().count() <= width && !l.starts_with(' ')), "{lines:?}");
        assert_eq!(lines.join(" ").split_whitespace().collect::<Vec<_>>(), keys.split_whitespace().collect::<Vec<_>>());
    }
    // A pair of key and meaning stays together where it fits.
    assert_eq!(broken("a: hear     q: leave", 12), ["a: hear", "q: leave"]);
}

#[test]
fn the_place_is_told_in_tenths() {
    assert_eq!(place((1.26, None, 3.4)), "1.3 of 3.4 s");
    assert_eq!(place((1.0, Some((0.5, None)), 3.4)), "1.0 of 3.4 s, part from 0.5");
    assert_eq!(place((1.0, Some((0.5, Some(2.0))), 3.4)), "1.0 of 3.4 s, part 0.5 to 2.0");
}
