//! Numbers as people read them: one way of writing a probability, a level, a share, everywhere in the report.

/// A minus sign that is as wide as a figure.
const MINUS: char = '\u{2212}';

/// A probability value, written as in the verdict's sentence.
#[must_use]
pub fn p(value: f64) -> String {
    super::sentence::p_text(value).trim_start_matches("p = ").to_owned()
}

/// A share as per cent, no decimals: `63 %`; shares that are not quite 0 or 1 are not rounded to them.
#[must_use]
pub fn percent(share: f64) -> String {
    if share > 0.0 && share < 0.005 {
        "under 1 %".to_owned()
    } else if share < 1.0 && share > 0.995 {
        "over 99 %".to_owned()
    } else {
        format!("{:.0} %", share * 100.0)
    }
}

/// A signed number with so many decimals; a value that rounds to nothing has no sign.
#[must_use]
pub fn signed(value: f64, digits: usize) -> String {
    let text = format!("{:.digits$}", value.abs());
    if text.chars().all(|c| matches!(c, '0' | '.')) {
        text
    } else if value < 0.0 {
        format!("{MINUS}{text}")
    } else {
        format!("+{text}")
    }
}

/// A number that is usually negative (LUFS, dBTP): a minus sign, never a plus.
#[must_use]
pub fn plain(value: f64, digits: usize) -> String {
    signed(value, digits).trim_start_matches('+').to_owned()
}

/// Something or a dash.
#[must_use]
pub fn or_dash(value: Option<String>) -> String {
    value.unwrap_or_else(|| "\u{2013}".to_owned())
}

/// The nominal name of a one-third octave (IEC 61260-1): `80`, `1.25k`.
#[must_use]
pub fn band(hz: f64) -> String {
    const NAMES: [&str; 10] = ["1", "1.25", "1.6", "2", "2.5", "3.15", "4", "5", "6.3", "8"];
    const WHOLE: [&str; 10] = ["100", "125", "160", "200", "250", "315", "400", "500", "630", "800"];
    const TENS: [&str; 10] = ["10", "12.5", "16", "20", "25", "31.5", "40", "50", "63", "80"];
    let n = (10.0 * (hz / 1000.0).log10()).round() as i32;
    let place = n.rem_euclid(10) as usize;
    match n.div_euclid(10) {
        -2 => TENS[place].to_owned(),
        -1 => WHOLE[place].to_owned(),
        0 => format!("{}k", NAMES[place]),
        1 => format!("{}k", TENS[place]),
        _ => format!("{hz:.0}"),
    }
}

/// `1 take`, `4 takes`.
#[must_use]
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}
