//! Chapter times, WebVTT, SubRip, chapters and the cue sheet of a montage. All times are computed from frame counts.

use crate::model::montage::Segment;
use std::fmt::Write;

/// A montage's clips with what belongs to all of them.
#[derive(Debug, Clone)]
pub struct Cues<'a> {
    /// Frames per second.
    pub rate: u32,
    /// The clips, in order.
    pub segments: &'a [Segment],
    /// SHA-256 of the key of a blind montage, printed in the captions.
    pub commitment: Option<&'a str>,
    /// Session, montage and head of the log: what others can hold against the session later.
    pub fingerprint: Option<&'a str>,
}

/// Characters of a caption's line: 37 is what subtitles for broadcasting have (common practice, no source).
pub const LINE: usize = 37;
/// Digits of a hash that a caption shows: 80 bits.
const DIGITS: usize = 20;

/// One line, cut where it is longer.
fn cut(text: &str) -> String {
    if text.chars().count() <= LINE {
        return text.to_owned();
    }
    let kept: String = text.chars().take(LINE - 1).collect();
    format!("{kept}\u{2026}")
}

/// One line or two, broken at a space where there is one, the second cut where it is longer.
fn broken(text: &str) -> Vec<String> {
    if text.chars().count() <= LINE {
        return vec![text.to_owned()];
    }
    let head: String = text.chars().take(LINE + 1).collect();
    let at = head.rfind(' ').filter(|at| *at > 0).unwrap_or_else(|| head.char_indices().nth(LINE).map_or(head.len(), |(i, _)| i));
    vec![text[..at].to_owned(), cut(text[at..].trim_start())]
}

/// Milliseconds of a frame, rounded to the nearest.
fn milliseconds(frame: u64, rate: u32) -> u64 {
    (frame * 2000 / u64::from(rate.max(1))).div_ceil(2)
}

fn stamp(frame: u64, rate: u32, point: char) -> String {
    let ms = milliseconds(frame, rate);
    format!("{:02}:{:02}:{:02}{point}{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

/// `0:07`, `1:02:03`: the whole second in which a frame lies, as a chapter time in a video's description needs it.
#[must_use]
pub fn time_link(frame: u64, rate: u32) -> String {
    let s = frame / u64::from(rate.max(1));
    if s >= 3600 { format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60) } else { format!("{}:{:02}", s / 60, s % 60) }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

impl Cues<'_> {
    /// One line per clip for a video's description.
    #[must_use]
    pub fn chapter_times(&self) -> String {
        let mut text = String::new();
        for s in self.segments {
            // Writing to a String cannot fail.
            let _ = writeln!(text, "{} {}", time_link(s.start, self.rate), s.label);
        }
        text
    }

    /// A caption: no more than two lines of [`LINE`] characters, so that it stays inside a frame held upright. The first one also shows the
    /// fingerprint's digits: the session's log up to there, in which the commitment to a blind order stands. Both stand whole in the notes and
    /// the description.
    fn caption(&self, place: usize) -> Vec<String> {
        let segment = &self.segments[place];
        let first = |text: &str| text.get(..DIGITS).unwrap_or(text).to_owned();
        let digits = match (self.fingerprint, self.commitment) {
            (Some(line), _) => line.rsplit(' ').next().map(|d| format!("fingerprint {}", first(d))),
            (None, Some(commitment)) => Some(format!("key SHA-256 {}", first(commitment))),
            (None, None) => None,
        };
        match digits.filter(|_| place == 0) {
            Some(digits) => vec![cut(&segment.label), digits],
            None => broken(&segment.label),
        }
    }

    /// Captions as WebVTT (W3C).
    #[must_use]
    pub fn webvtt(&self) -> String {
        let mut text = "WEBVTT\n".to_owned();
        if let Some(c) = self.commitment {
            let _ = write!(
                text,
                "\nNOTE\nThe order of the numbered clips was drawn and committed to before this file was written.\nSHA-256 of nonce and key: {c}\n"
            );
        }
        if let Some(line) = self.fingerprint {
            let _ = write!(text, "\nNOTE\n{line}\n");
        }
        for (i, s) in self.segments.iter().enumerate() {
            let times = format!("{} --> {}", stamp(s.start, self.rate, '.'), stamp(s.end, self.rate, '.'));
            let _ = writeln!(text, "\n{}\n{times}\n{}", i + 1, escaped(&self.caption(i).join("\n")));
        }
        text
    }

    /// Captions as SubRip.
    #[must_use]
    pub fn subrip(&self) -> String {
        let mut text = String::new();
        for (i, s) in self.segments.iter().enumerate() {
            let times = format!("{} --> {}", stamp(s.start, self.rate, ','), stamp(s.end, self.rate, ','));
            let _ = writeln!(text, "{}\n{times}\n{}\n", i + 1, self.caption(i).join("\n"));
        }
        text
    }

    /// Chapters as WebVTT: each lasts to the beginning of the next one.
    #[must_use]
    pub fn chapters(&self) -> String {
        let mut text = "WEBVTT\n".to_owned();
        for (i, s) in self.segments.iter().enumerate() {
            let end = self.segments.get(i + 1).map_or(s.end, |next| next.start);
            let times = format!("{} --> {}", stamp(s.start, self.rate, '.'), stamp(end, self.rate, '.'));
            let _ = write!(text, "\nchapter-{}\n{times}\n{}\n", i + 1, escaped(&s.label));
        }
        text
    }

    /// Title and chapters as ffmpeg's metadata file has them (`ffmetadata`, format version 1).
    #[must_use]
    pub fn metadata(&self, title: &str) -> String {
        let plain = |text: &str| -> String {
            text.chars().flat_map(|c| matches!(c, '=' | ';' | '#' | '\\' | '\n').then_some('\\').into_iter().chain([c])).collect()
        };
        let mut text = format!(";FFMETADATA1\ntitle={}\n", plain(title));
        if let Some(line) = self.fingerprint {
            let _ = writeln!(text, "comment={}", plain(line));
        }
        for (i, s) in self.segments.iter().enumerate() {
            let end = self.segments.get(i + 1).map_or(s.end, |next| next.start);
            let (start, end) = (milliseconds(s.start, self.rate), milliseconds(end, self.rate));
            let _ = write!(text, "\n[CHAPTER]\nTIMEBASE=1/1000\nSTART={start}\nEND={end}\ntitle={}\n", plain(&s.label));
        }
        text
    }

    /// Pictures in the order of the clips, each as long as its clip and the gap behind it, for ffmpeg's concat reader.
    #[must_use]
    pub fn pictures(&self, names: &[String]) -> String {
        let mut text = "ffconcat version 1.0\n".to_owned();
        for (i, (s, name)) in self.segments.iter().zip(names).enumerate() {
            let end = self.segments.get(i + 1).map_or(s.end, |next| next.start);
            let seconds = (end - s.start) as f64 / f64::from(self.rate.max(1));
            let _ = write!(text, "file '{name}'\nduration {seconds:.6}\n");
        }
        // The reader gives the last picture no time unless it is named again.
        if let Some(last) = names.last() {
            let _ = writeln!(text, "file '{last}'");
        }
        text
    }

    /// The cue sheet's head.
    #[must_use]
    pub fn sheet_head() -> [&'static str; 7] {
        ["number", "label", "setup", "mic", "start_frame", "end_frame", "rate_hz"]
    }

    /// The cue sheet's rows, one per clip.
    #[must_use]
    pub fn sheet(&self) -> Vec<Vec<String>> {
        let row = |(i, s): (usize, &Segment)| {
            vec![
                (i + 1).to_string(),
                s.label.clone(),
                s.setup.as_ref().map_or_else(String::new, ToString::to_string),
                s.mic.to_string(),
                s.start.to_string(),
                s.end.to_string(),
                self.rate.to_string(),
            ]
        };
        self.segments.iter().enumerate().map(row).collect()
    }
}
