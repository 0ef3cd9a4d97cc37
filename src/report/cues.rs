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

    /// What the first caption adds: the commitment, visible to everyone before the first numbered clip, and the fingerprint.
    fn said(&self, place: usize) -> Vec<String> {
        let commitment = self.commitment.map(|c| format!("key committed to: SHA-256 {c}"));
        let all = commitment.into_iter().chain(self.fingerprint.map(str::to_owned));
        all.filter(|_| place == 0).collect()
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
        for (i, s) in self.segments.iter().enumerate() {
            let times = format!("{} --> {}", stamp(s.start, self.rate, '.'), stamp(s.end, self.rate, '.'));
            let _ = write!(text, "\n{}\n{times}\n{}\n", i + 1, escaped(&s.label));
            for said in self.said(i) {
                let _ = writeln!(text, "{said}");
            }
        }
        text
    }

    /// Captions as SubRip.
    #[must_use]
    pub fn subrip(&self) -> String {
        let mut text = String::new();
        for (i, s) in self.segments.iter().enumerate() {
            let times = format!("{} --> {}", stamp(s.start, self.rate, ','), stamp(s.end, self.rate, ','));
            let _ = write!(text, "{}\n{times}\n{}\n", i + 1, s.label);
            for said in self.said(i) {
                let _ = writeln!(text, "{said}");
            }
            text.push('\n');
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
