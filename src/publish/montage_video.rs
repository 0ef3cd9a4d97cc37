//! `montage --video`: a picture per clip, the list that gives each its time, chapters, and the command that makes a video of them.

use crate::circuit::Network;
use crate::model::failure::Failure;
use crate::model::montage::{BlindMontage, Segment};
use crate::model::rig::Rig;
use crate::paint::raster;
use crate::paint::theme::Theme;
use crate::report::cues::Cues;
use crate::report::picture::clip::{Clip, clip};
use crate::report::picture::network::friendly;
use crate::report::picture::{Ground, Size};
use crate::rig::cards::network;
use rayon::prelude::*;

/// The first picture's name: what tells that a folder holds a video's pictures already.
pub(crate) const FIRST: &str = "clip-001.png";

/// What is shown.
pub(crate) struct Pictured<'a> {
    pub(crate) segments: &'a [Segment],
    pub(crate) title: &'a str,
    pub(crate) foot: &'a str,
    pub(crate) rig: &'a Rig,
    pub(crate) blind: Option<&'a BlindMontage>,
}

const COMMAND: &str = "\
# Makes montage.mp4 of the files in this folder (ffmpeg with libx264).
ffmpeg -f concat -i pictures.ffconcat -i montage.wav -i chapters.ffmetadata \\
  -map 0:v -map 1:a -map_metadata 2 -map_chapters 2 \\
  -vf fps=25,format=yuv420p -c:v libx264 -preset medium -tune stillimage -c:a aac -b:a 256k -movflags +faststart -n montage.mp4
";

/// All files by name, the pictures first.
pub(crate) fn files(p: &Pictured<'_>, cues: &Cues<'_>) -> Result<Vec<(String, Vec<u8>)>, Failure> {
    let names: Vec<String> = (1..=p.segments.len()).map(|n| format!("clip-{n:03}.png")).collect();
    let drawn: Vec<Vec<u8>> = (0..p.segments.len()).into_par_iter().map(|i| picture(p, i)).collect::<Result<_, _>>()?;
    let mut out: Vec<(String, Vec<u8>)> = names.iter().cloned().zip(drawn).collect();
    out.push(("pictures.ffconcat".to_owned(), cues.pictures(&names).into_bytes()));
    out.push(("chapters.ffmetadata".to_owned(), cues.metadata(p.title).into_bytes()));
    out.push(("make-video.txt".to_owned(), COMMAND.as_bytes().to_vec()));
    Ok(out)
}

fn picture(p: &Pictured<'_>, i: usize) -> Result<Vec<u8>, Failure> {
    let segment = &p.segments[i];
    let wiring = wired(p, segment)?;
    let below = match (&wiring, &segment.setup, p.blind) {
        (Some((network, tap)), _, _) => format!("{}{tap}", friendly(network)),
        (None, None, Some(blind)) => {
            let names: Vec<&str> = blind.setups.iter().map(|s| s.as_str()).collect();
            format!("Which is it: {}?", names.join(" or "))
        }
        _ => p.title.to_owned(),
    };
    let network = wiring.as_ref().map(|w| &w.0);
    let shown = Clip { label: &segment.label, network, below: &below, place: (i + 1, p.segments.len()), foot: p.foot };
    let made = clip(&shown, Ground { size: Size::Wide, theme: Theme::Dark });
    Ok(raster::png(&raster::pixels(&made.svg)?)?)
}

/// Network and tap of a named clip.
fn wired(p: &Pictured<'_>, segment: &Segment) -> Result<Option<(Network, String)>, Failure> {
    let Some(setup) = segment.setup.as_ref().and_then(|name| p.rig.setup(name)) else { return Ok(None) };
    let Some(wiring) = setup.wiring.as_ref().and_then(|w| p.rig.wiring(w)) else { return Ok(None) };
    let tap = setup.tap_ohm.map_or_else(String::new, |t| format!(", {} ohm tap", t.value()));
    Ok(Some((network(p.rig, wiring)?, tap)))
}
