//! What is typed after an option, turned into what it means. Nothing here touches the world.

use crate::capture::pattern::Pattern;
use crate::model::ids::{DriverLabel, ExcerptName, MicName, SetupName, TakeId, WiringName};
use crate::model::session::{Depth, MeterValue};
use crate::model::trial::{Design, Method};
use crate::rig::ohmmeter::read_value;
use crate::units::{Ohm, Seconds, Watt};
use std::path::PathBuf;
use std::str::FromStr;

/// `--driver L=OHM[,W]`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct DriverArg {
    pub(crate) label: DriverLabel,
    pub(crate) nominal: Ohm,
    pub(crate) rated: Option<Watt>,
}

/// A number, with a decimal point or a decimal comma.
fn number(text: &str, what: &str) -> Result<f64, String> {
    let plain = text.trim();
    let pointed = if plain.contains('.') { plain.to_owned() } else { plain.replacen(',', ".", 1) };
    pointed.parse().map_err(|_| format!("{what} must be a number, {text:?} is not one"))
}

/// A time: seconds, or minutes and seconds as in 1:30, or hours, minutes and seconds.
fn time(text: &str, what: &str) -> Result<f64, String> {
    let parts: Vec<&str> = text.trim().split(':').collect();
    if parts.len() > 3 {
        return Err(format!("{what} must be a time, as in 5.5 or 0:05, {text:?} is not one"));
    }
    let mut seconds = 0.0;
    for (i, part) in parts.iter().enumerate() {
        let value = number(part, what)?;
        if i > 0 && !(0.0..60.0).contains(&value) {
            return Err(format!("{what} must be a time, as in 1:05, {text:?} is not one"));
        }
        seconds = seconds * 60.0 + value;
    }
    Ok(seconds)
}

/// A take: `t002`, or `t2` for short.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct TakeArg(pub(crate) TakeId);

impl FromStr for TakeArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        let number = text.strip_prefix(['t', 'T']).and_then(|n| n.parse::<u32>().ok());
        let name = number.map_or_else(|| text.to_owned(), |n| format!("t{n:03}"));
        TakeId::new(&name).map(Self).map_err(|e| e.to_string())
    }
}

/// A setup's name; spaces around it, as behind a comma, do not matter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct SetupArg(pub(crate) SetupName);

impl FromStr for SetupArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        SetupName::new(text.trim()).map(Self).map_err(|e| e.to_string())
    }
}

/// `--pattern`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct PatternArg(pub(crate) Pattern);

impl FromStr for PatternArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Pattern::new(text).map(Self).map_err(|e| format!("{e}; {}", e.explain().next()))
    }
}

impl FromStr for DriverArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let wanted = "wanted LABEL=OHM or LABEL=OHM,WATT, as in A=8,30";
        let (label, figures) = text.split_once('=').ok_or_else(|| wanted.to_owned())?;
        let (ohm, watt) = match figures.split_once(',') {
            Some((ohm, watt)) => (ohm, Some(watt)),
            None => (figures, None),
        };
        Ok(Self {
            label: DriverLabel::new(label).map_err(|e| e.to_string())?,
            nominal: Ohm::new(number(ohm, "the rated impedance")?).map_err(|e| e.to_string())?,
            rated: watt.map(|w| Watt::new(number(w, "the rated power")?).map_err(|e| e.to_string())).transpose()?,
        })
    }
}

/// Ohms of a tap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OhmArg(pub(crate) Ohm);

impl FromStr for OhmArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Ok(Self(Ohm::new(number(text, "the tap")?).map_err(|e| e.to_string())?))
    }
}

/// `--wiring NAME=NETWORK`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct WiringArg {
    pub(crate) name: WiringName,
    pub(crate) network: String,
}

impl FromStr for WiringArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (name, network) = text.split_once('=').ok_or("wanted NAME=NETWORK, as in \"series=A + B\"")?;
        Ok(Self { name: WiringName::new(name.trim()).map_err(|e| e.to_string())?, network: network.trim().to_owned() })
    }
}

/// `--setup NAME=WIRING@OHM`.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SetupOnTapArg {
    pub(crate) name: SetupName,
    pub(crate) wiring: WiringName,
    pub(crate) tap: Ohm,
}

impl FromStr for SetupOnTapArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let wanted = "wanted NAME=WIRING@OHM, as in s16=series@16";
        let (name, rest) = text.split_once('=').ok_or(wanted)?;
        let (wiring, tap) = rest.split_once('@').ok_or(wanted)?;
        Ok(Self {
            name: SetupName::new(name.trim()).map_err(|e| e.to_string())?,
            wiring: WiringName::new(wiring.trim()).map_err(|e| e.to_string())?,
            tap: tap.parse::<OhmArg>()?.0,
        })
    }
}

/// `--mic NAME[=L,...]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct HearingArg {
    pub(crate) name: MicName,
    pub(crate) hears: Vec<DriverLabel>,
}

impl FromStr for HearingArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (name, hears) = text.split_once('=').unwrap_or((text, ""));
        let labels = hears.split(',').map(str::trim).filter(|l| !l.is_empty()).map(DriverLabel::new);
        Ok(Self {
            name: MicName::new(name.trim()).map_err(|e| e.to_string())?,
            hears: labels.collect::<Result<_, _>>().map_err(|e| e.to_string())?,
        })
    }
}

/// `--amp`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum AmpArg {
    /// Valve amplifier with output taps.
    Valve,
    /// Solid-state amplifier with a least load.
    SolidState,
}

/// `--method`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct MethodArg(pub(crate) Method);

impl FromStr for MethodArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        Method::from_name(text).map(Self).ok_or_else(|| {
            let names: Vec<_> = Method::ALL.iter().map(|m| m.name()).collect();
            format!("wanted one of {}", names.join(", "))
        })
    }
}

impl std::fmt::Display for MethodArg {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// `NAME=FILE`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct NamedFile {
    pub(crate) setup: SetupName,
    pub(crate) file: PathBuf,
}

impl FromStr for NamedFile {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (name, file) = text.split_once('=').ok_or("wanted NAME=FILE, as in series=series.wav")?;
        if file.is_empty() {
            return Err("wanted a file behind '='".to_owned());
        }
        Ok(Self { setup: SetupName::new(name).map_err(|e| e.to_string())?, file: PathBuf::from(file) })
    }
}

/// `--design`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum DesignArg {
    /// Samples from all takes of both setups, whatever their setup.
    Crossed,
    /// One take of each setup side by side.
    Paired,
}

impl From<DesignArg> for Design {
    fn from(design: DesignArg) -> Self {
        match design {
            DesignArg::Crossed => Self::Crossed,
            DesignArg::Paired => Self::Paired,
        }
    }
}

/// A meter reading: ohms, or `OL`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ReadingArg(pub(crate) MeterValue);

impl FromStr for ReadingArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        read_value(text).map(Self).map_err(|e| e.to_string())
    }
}

/// `--mic M` or `--mic CHANNEL=M`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MicArg {
    /// Channel of the file, from 1.
    pub(crate) channel: Option<u16>,
    pub(crate) mic: MicName,
}

impl FromStr for MicArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (channel, mic) = match text.split_once('=') {
            Some((channel, mic)) => {
                let channel: u16 = channel.parse().ok().filter(|c| *c > 0).ok_or("wanted a channel from 1, as in 1=close-a")?;
                (Some(channel), mic)
            }
            None => (None, text),
        };
        Ok(Self { channel, mic: MicName::new(mic).map_err(|e| e.to_string())? })
    }
}

/// `--depth`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum DepthArg {
    /// Played again, nothing touched.
    Untouched,
    /// The wiring was undone and made again.
    Rewired,
    /// The mic was moved and put back.
    Remiked,
}

impl From<DepthArg> for Depth {
    fn from(depth: DepthArg) -> Self {
        match depth {
            DepthArg::Untouched => Self::Untouched,
            DepthArg::Rewired => Self::Rewired,
            DepthArg::Remiked => Self::Remiked,
        }
    }
}

/// `--note K=V`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct NoteArg {
    pub(crate) key: String,
    pub(crate) value: String,
}

impl FromStr for NoteArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (key, value) = text.split_once('=').ok_or("wanted KEY=VALUE, as in gain=4.5")?;
        if key.trim().is_empty() {
            return Err("wanted a key before '='".to_owned());
        }
        Ok(Self { key: key.trim().to_owned(), value: value.to_owned() })
    }
}

/// `--excerpt NAME=START-END`, in seconds.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ExcerptArg {
    pub(crate) name: ExcerptName,
    pub(crate) start: Seconds,
    pub(crate) end: Seconds,
}

impl FromStr for ExcerptArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let wanted = "wanted NAME=START-END in seconds, as in riff=0.5-6.0 or riff=0:01-0:05";
        let (name, span) = text.split_once('=').ok_or(wanted)?;
        let (start, end) = span.split_once('-').ok_or(wanted)?;
        let start = Seconds::new(time(start, "the start")?).map_err(|e| e.to_string())?;
        let end = Seconds::new(time(end, "the end")?).map_err(|e| e.to_string())?;
        if end.value() <= start.value() {
            return Err(format!("the end ({end}) must lie after the start ({start})"));
        }
        Ok(Self { name: ExcerptName::new(name).map_err(|e| e.to_string())?, start, end })
    }
}

/// `--controls same-file=K,repeat=K,known=K`: one of the three.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ControlArg {
    /// So many same-file trials per listener.
    SameFile(u32),
    /// So many repeat-take trials per listener.
    Repeat(u32),
    /// So many known-difference trials per listener.
    Known(u32),
}

impl FromStr for ControlArg {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let wanted = "needs same-file=K, repeat=K or known=K, as in same-file=8,known=8";
        let (kind, count) = text.trim().split_once('=').ok_or(wanted)?;
        let count: u32 = count.parse().map_err(|_| wanted)?;
        match kind {
            "same-file" => Ok(Self::SameFile(count)),
            "repeat" => Ok(Self::Repeat(count)),
            "known" => Ok(Self::Known(count)),
            _ => Err(wanted.to_owned()),
        }
    }
}
