//! How numbers read: the one way of writing a probability, a share, a level, a count, for every sentence, page and terminal.

/// A minus sign that is as wide as a figure.
const MINUS: char = '\u{2212}';

/// Below this a probability is only named.
const LEAST_P: f64 = 1e-6;

/// A probability with its sign: `= 0.038`, `< 0.000001`.
fn p_signed(value: f64) -> (&'static str, String) {
    if value < LEAST_P {
        ("<", "0.000001".to_owned())
    } else if value < 0.001 {
        // One figure is enough, and nobody has to read powers of ten.
        let places = (-value.log10()).ceil() as usize;
        ("=", format!("{value:.places$}"))
    } else if value < 0.1 {
        ("=", format!("{value:.3}"))
    } else {
        ("=", format!("{value:.2}"))
    }
}

/// `p = 0.038`, `p < 0.000001`.
#[must_use]
pub fn p_text(value: f64) -> String {
    named_p("p", value)
}

/// The same of a p with a name: `takes p = 0.029`.
#[must_use]
pub fn named_p(name: &str, value: f64) -> String {
    let (sign, digits) = p_signed(value);
    format!("{name} {sign} {digits}")
}

/// A probability in a column that is headed p: `0.038`, `< 0.000001`.
#[must_use]
pub fn p(value: f64) -> String {
    let (sign, digits) = p_signed(value);
    if sign == "=" { digits } else { format!("{sign} {digits}") }
}

/// A level as per cent, with as many figures as it needs: `5 %`, `1.67 %`.
#[must_use]
pub fn level(value: f64) -> String {
    let text = format!("{:.2}", value * 100.0);
    format!("{} %", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A number of trials to be expected: whole where it is whole, else with one decimal.
#[must_use]
pub fn expected(value: f64) -> String {
    if (value - value.round()).abs() < 1e-9 { format!("{value:.0}") } else { format!("{value:.1}") }
}

/// `ann`, `ann and bob`, `ann, bob and cid`, `ann, bob, cid and 9 more`.
#[must_use]
pub fn names<T: AsRef<str>>(all: &[T]) -> String {
    const SHOWN: usize = 4;
    let shown: Vec<&str> = all.iter().map(AsRef::as_ref).collect();
    if shown.len() > SHOWN {
        let head = SHOWN - 1;
        return format!("{} and {} more", shown[..head].join(", "), shown.len() - head);
    }
    match shown.as_slice() {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The first letter small, for what goes on behind a colon.
#[must_use]
pub fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
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
