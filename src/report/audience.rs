//! A static page for any web host, on which every visitor draws their own trials. Unguarded: it says so, and is never added to a sealed
//! test.

use super::texts::{FILES, Texts};
use crate::model::failure::Failure;
use crate::stats::{binomial, power};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde::Serialize;
use std::collections::BTreeMap;

/// The sound path of the audience page and of the listening page: one and the same.
pub const PLAYER: &str = include_str!("files/player.js");
/// Their look.
pub const STYLE: &str = include_str!("files/listen.css");
/// What the audience page does.
const SCRIPT: &str = include_str!("files/audience.js");
/// What it looks like beyond that.
const MORE_STYLE: &str = include_str!("files/audience.css");
/// The numbers of trials that a visitor can choose from.
pub const TRIALS: [u32; 3] = [6, 10, 16];
/// The one that stands chosen.
const USUAL: u32 = 10;
/// The level of a hint.
pub const LEVEL: f64 = 0.05;
/// Letters of two samples and of the one that is like one of them; the first that no driver is called by are taken.
const CHOICES: [[&str; 2]; 4] = [["A", "B"], ["1", "2"], ["P", "Q"], ["M", "N"]];
const UNKNOWN: [&str; 4] = ["X", "Y", "Z", "U"];
/// Texts of the page whose keys begin otherwise.
const SHARED: [&str; 16] = [
    "audience.",
    "begin.caution",
    "count.trial",
    "error.load",
    "loading.title",
    "muted.",
    "page.language",
    "page.script",
    "receipt.copied",
    "receipt.marked",
    "trial.choose",
    "trial.hear",
    "trial.hear.one",
    "trial.missing",
    "trial.samples",
    "trial.silence",
];

/// What a number of trials can show, by the exact test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Choice {
    /// Trials.
    pub trials: u32,
    /// Right ones from which on guessing alone gets there at the level; null where no count does.
    pub needed: Option<u64>,
    /// How often somebody gets there who truly hears half of the trials and guesses the others.
    pub half: f64,
    /// The same of somebody who hears all of them.
    pub all: f64,
    /// P(so many right or more) by guessing, from 0 right on.
    pub tails: Vec<f64>,
}

impl Choice {
    /// What so many trials show.
    #[must_use]
    pub fn of(trials: u32) -> Self {
        let n = u64::from(trials);
        Self {
            trials,
            needed: binomial::critical(n, 0.5, LEVEL),
            half: power::one_sided(n, 0.5, LEVEL, 0.75),
            all: power::one_sided(n, 0.5, LEVEL, 1.0),
            tails: (0..=n).map(|k| binomial::upper_tail(k, n, 0.5)).collect(),
        }
    }
}

/// Where answers go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SendTo {
    /// An address for mail.
    Mail(String),
    /// A page that takes them.
    Page(String),
}

impl std::str::FromStr for SendTo {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let plain = |part: &str| {
            !part.is_empty() && part.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '+' | '-'))
        };
        if text.starts_with("https://") && text.len() > 8 && !text.contains(|c: char| c.is_whitespace() || c.is_control()) {
            return Ok(Self::Page(text.to_owned()));
        }
        match text.split_once('@') {
            Some((who, host)) if plain(who) && plain(host) => Ok(Self::Mail(text.to_owned())),
            _ => Err(format!(
                "{text:?} is neither an address for mail (name@example.org) nor a page (https://...) that answers can go to"
            )),
        }
    }
}

/// A clip of the page.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sound {
    /// Where it lies: a file beside the page, or the bytes themselves.
    pub url: String,
    /// Bytes to load.
    pub bytes: u64,
}

/// What the page's script reads.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Data {
    /// Tells this page's visitors apart from those of another one in the same browser.
    pub id: String,
    /// The session's title.
    pub title: String,
    /// The setups' names, shown with what is compared.
    pub setups: Vec<String>,
    /// Per setup the clips.
    pub clips: Vec<Vec<Sound>>,
    /// Pairs of setups that a visitor can choose from.
    pub pairs: Vec<[usize; 2]>,
    /// Per pair what differs.
    pub differs: Vec<Vec<String>>,
    /// Letters of the three samples.
    pub labels: [&'static str; 3],
    /// Numbers of trials with what each can show.
    pub choices: Vec<Choice>,
    /// The one that stands chosen.
    pub usual: u32,
    /// The level of a hint.
    pub level: f64,
    /// Frames per second.
    pub rate_hz: u32,
    /// The sound lies within the page.
    pub inside: bool,
    /// All languages.
    pub texts: BTreeMap<&'static str, BTreeMap<String, String>>,
}

impl Data {
    /// The numbers of trials, with what each can show.
    #[must_use]
    pub fn choices() -> (Vec<Choice>, u32) {
        (TRIALS.into_iter().map(Choice::of).collect(), USUAL)
    }

    /// Letters that none of these names is: a driver `A` beside a sample `A` would be two things of one name.
    #[must_use]
    pub fn letters(taken: &[&str]) -> [&'static str; 3] {
        let free = |letter: &&str| !taken.iter().any(|name| name.eq_ignore_ascii_case(letter));
        let pair = CHOICES.into_iter().find(|pair| pair.iter().all(&free)).unwrap_or(CHOICES[0]);
        let unknown = UNKNOWN.into_iter().find(&free).unwrap_or(UNKNOWN[0]);
        [pair[0], pair[1], unknown]
    }

    /// The page's words in all languages.
    ///
    /// # Errors
    /// A file of texts cannot be read.
    pub fn words() -> Result<BTreeMap<&'static str, BTreeMap<String, String>>, Failure> {
        let shared = |key: &str| SHARED.iter().any(|s| if s.ends_with('.') { key.starts_with(s) } else { key == *s });
        let all = Texts::all()?;
        let own = |t: &Texts| t.words().filter(|(k, _)| shared(k)).map(|(k, v)| (k.to_owned(), v.to_owned())).collect();
        Ok(all.iter().map(|t| (t.language, own(t))).collect())
    }
}

/// Script and style lie within the page: what a browser may run of it, by hash (Content Security Policy, level 3).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Inside {
    /// `sha256-...` of [`script`].
    pub script: String,
    /// `sha256-...` of [`style`].
    pub style: String,
}

/// The page's script, in one piece: a browser runs no modules from a folder.
#[must_use]
pub fn script() -> String {
    format!("\"use strict\";\n(() => {{\n{}\n{SCRIPT}}})();\n", PLAYER.replace("export ", ""))
}

/// The page's look.
#[must_use]
pub fn style() -> String {
    format!("{STYLE}{MORE_STYLE}")
}

/// What the page shows besides its data.
#[derive(Debug, Clone, Default)]
pub struct Shown {
    /// That everything is invented, where it is.
    pub invented: Option<String>,
    /// Where answers go.
    pub send_to: Option<SendTo>,
    /// Everything in one file.
    pub inside: Option<Inside>,
}

/// The page.
///
/// # Errors
/// The data cannot be written as JSON.
pub fn page(data: &Data, shown: &Shown) -> Result<String, serde_json::Error> {
    let words = Words(data);
    // No tag may end the data.
    let json = serde_json::to_string(data)?.replace('<', "\\u003c");
    let policy = match &shown.inside {
        Some(own) => format!(
            "default-src 'none'; script-src '{}'; style-src '{}'; connect-src data:; img-src data: blob:; base-uri 'none'; form-action 'none'",
            own.script, own.style
        ),
        None => "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data: blob:; base-uri 'none'; form-action 'none'".to_owned(),
    };
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { (words.get("audience.title")) " " (data.title) }
                link rel="icon" href="data:,";
                @if shown.inside.is_some() { style { (PreEscaped(style())) } } @else { link rel="stylesheet" href="style.css"; }
            }
            body {
                main {
                    header.top { h1 { (data.title) } p #count {} }
                    @if let Some(invented) = &shown.invented { p #invented .lost role="note" lang="en" { (invented) } }
                    p #folder .lost role="alert" data-say="audience.folder" hidden { (words.get("audience.folder")) }
                    p #status role="status" aria-live="polite" {}
                    noscript { p { (words.get("page.script")) } }
                    (begin(&words))
                    (trial(&words))
                    (end(&words, shown.send_to.as_ref()))
                    nav aria-label="Language" { div #languages { @for (code, name, _) in FILES { button type="button" lang=(code) { (name) } } } }
                }
                script #data type="application/json" { (PreEscaped(json)) }
                @if shown.inside.is_some() { script { (PreEscaped(script())) } } @else { script src="audience.js" {} }
            }
        }
    };
    Ok(page.into_string())
}

/// The words that stand there before a browser's language is known.
struct Words<'d>(&'d Data);

impl Words<'_> {
    fn get(&self, key: &str) -> String {
        let text = self.0.texts.get("en").and_then(|t| t.get(key)).map_or(key, String::as_str);
        let [a, b, x] = self.0.labels;
        text.replace("{a}", a).replace("{b}", b).replace("{x}", x)
    }
}

/// Two samples and the one that is like one of them.
fn drawing(labels: [&str; 3]) -> Markup {
    let cab = |x: u32, label: &str, open: bool| {
        html! {
            rect x=(x) y="10" width="100" height="100" rx="6" fill="none" stroke="currentColor" stroke-width="3" stroke-dasharray=[open.then_some("8 6")] {}
            circle cx=(x + 50) cy="60" r="38" fill="none" stroke="currentColor" stroke-width="3" {}
            text.mark[open] x=(x + 50) y="74" text-anchor="middle" font-size="40" font-weight="700" fill="currentColor" { (label) }
        }
    };
    html! {
        svg.picture viewBox="0 0 400 120" aria-hidden="true" {
            (cab(2, labels[0], false))
            (cab(122, labels[1], false))
            text x="260" y="75" text-anchor="middle" font-size="44" fill="currentColor" { "?" }
            (cab(298, labels[2], true))
        }
    }
}

fn begin(words: &Words<'_>) -> Markup {
    let say = |key: &str| words.get(key);
    html! {
        section data-part="begin" {
            h2 tabindex="-1" data-say="audience.title" { (say("audience.title")) }
            p data-say="audience.sentence" { (say("audience.sentence")) }
            (drawing(words.0.labels))
            @if words.0.pairs.len() > 1 { p { label for="pair" data-say="audience.pair" { (say("audience.pair")) } " " select #pair {} } }
            fieldset #many .many {
                legend data-say="audience.trials" { (say("audience.trials")) }
                div.choices { @for choice in &words.0.choices { label { input type="radio" name="trials" value=(choice.trials); " " (choice.trials) } } }
            }
            div.row { button #begin .main type="button" { (say("audience.begin")) } button #fresh type="button" data-say="audience.fresh" hidden { (say("audience.fresh")) } }
            p #shows .soft {}
            p.caution data-say="begin.caution" { (say("begin.caution")) }
            p.soft data-say="audience.game" { (say("audience.game")) }
            h3 data-say="audience.compared" { (say("audience.compared")) }
            p #two {}
            p #differs data-say="audience.differs" { (say("audience.differs")) }
            ul lang="en" {}
            p data-say="audience.rules" { (say("audience.rules")) }
            p.soft #size {}
            p.soft #keeping {}
        }
        section data-part="loading" hidden {
            h2 tabindex="-1" data-say="loading.title" { (say("loading.title")) }
            progress #loaded max="1" value="0" aria-label="Sound" {}
        }
    }
}

fn trial(words: &Words<'_>) -> Markup {
    let say = |key: &str| words.get(key);
    html! {
        section data-part="trial" hidden {
            h2 tabindex="-1" data-say="audience.question" { (say("audience.question")) }
            div #muted .lost role="alert" hidden { p data-say="muted.text" { (say("muted.text")) } button #on type="button" data-say="muted.on" { (say("muted.on")) } }
            form #answer {
                fieldset.sheet {
                    legend.away data-say="audience.question" { (say("audience.question")) }
                    ol #rows .samples {}
                }
                div.row {
                    button #send .main type="submit" disabled data-say="audience.answer" { (say("audience.answer")) }
                    button #hush type="button" data-say="trial.silence" { (say("trial.silence")) }
                    p #missing .soft role="status" {}
                }
            }
            p.soft.keys data-say="audience.keys" { (say("audience.keys")) }
        }
    }
}

fn end(words: &Words<'_>, send_to: Option<&SendTo>) -> Markup {
    let say = |key: &str| words.get(key);
    html! {
        section data-part="end" hidden {
            h2 tabindex="-1" data-say="audience.end" { (say("audience.end")) }
            p #score .score {}
            p #meaning {}
            p #run .soft hidden {}
            h3 data-say="audience.picture" { (say("audience.picture")) }
            canvas #card role="img" width="1080" height="1080" aria-label=(say("audience.picture")) {}
            div.row { button #save type="button" data-say="audience.save" { (say("audience.save")) } button #share type="button" data-say="audience.share" hidden { (say("audience.share")) } }
            h3 data-say="audience.send" { (say("audience.send")) }
            p { label for="who" data-say="audience.name" { (say("audience.name")) } " " input #who type="text" maxlength="40" autocomplete="off"; }
            p.soft data-say="audience.nameless" { (say("audience.nameless")) }
            p { label for="code" data-say="audience.code" { (say("audience.code")) } }
            textarea #code readonly rows="3" {}
            div.row {
                button #copy type="button" data-say="audience.copy" { (say("audience.copy")) }
                @match send_to {
                    Some(SendTo::Mail(to)) => a #mail .button .main data-to=(to) href={ "mailto:" (to) } data-say="audience.mail" { (say("audience.mail")) },
                    Some(SendTo::Page(to)) => a.button.main href=(to) target="_blank" rel="noreferrer noopener" data-say="audience.open" { (say("audience.open")) },
                    None => {}
                }
            }
            @if !matches!(send_to, Some(SendTo::Mail(_))) { p.soft data-say="audience.give" { (say("audience.give")) } }
            div.row { button #again type="button" data-say="audience.again" { (say("audience.again")) } button #other type="button" data-say="audience.other" { (say("audience.other")) } }
        }
    }
}
