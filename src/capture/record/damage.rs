//! What the simulated rig does wrong on request, once, in the first attempt of a pass.

use std::str::FromStr;

/// A kind of mishap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// A ground loop: 50 Hz and its harmonics at every mic.
    Hum,
    /// The first mic's preamp was moved by 2.5 dB.
    Gain,
    /// The first mic's preamp was turned up until it clips.
    Clip,
    /// The interface dropped samples without saying so.
    Dropout,
    /// The amplifier is on standby.
    Standby,
    /// The output runs dry in mid-pass.
    UnderRun,
    /// The input runs over in mid-pass.
    OverRun,
    /// The device goes away in mid-pass.
    Lost,
}

impl Damage {
    /// All kinds with their names.
    pub const ALL: [(&'static str, Self); 8] = [
        ("hum", Self::Hum),
        ("gain", Self::Gain),
        ("clip", Self::Clip),
        ("dropout", Self::Dropout),
        ("standby", Self::Standby),
        ("under-run", Self::UnderRun),
        ("over-run", Self::OverRun),
        ("lost", Self::Lost),
    ];

    /// All names, in a row.
    #[must_use]
    pub fn names() -> String {
        Self::ALL.map(|(name, _)| name).join(", ")
    }
}

/// `PASS=KIND`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DamageAt {
    /// The pass of the run sheet.
    pub pass: u32,
    /// What goes wrong.
    pub damage: Damage,
}

impl FromStr for DamageAt {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let (pass, kind) = text.split_once('=').ok_or_else(|| format!("PASS=KIND is needed, KIND one of {}", Damage::names()))?;
        let pass = pass.trim().parse().map_err(|_| format!("{pass:?} is not the number of a pass"))?;
        let found = Damage::ALL.iter().find(|(name, _)| *name == kind.trim());
        let damage = found.map(|(_, d)| *d).ok_or_else(|| format!("{kind:?} is not one of {}", Damage::names()))?;
        Ok(Self { pass, damage })
    }
}
