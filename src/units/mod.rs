//! A type per quantity, so that an ohm never meets a decibel by accident.
//!
//! Constructors are fallible and say what was given and what was wanted. None of the types has a sentinel: a loudness that does not
//! exist is `Option::None`, silence is not minus one thousand decibels. Inside a room's arithmetic plain `f64` is fine; across rooms
//! a quantity travels as one of these.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A number that does not fit the quantity it was meant for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{given} {unit} is not a {quantity}: wanted {wanted}")]
pub struct UnitError {
    /// The quantity's name, for example `impedance`.
    pub quantity: &'static str,
    /// The number that was given.
    pub given: f64,
    /// The unit it was given in, for example `ohm`.
    pub unit: &'static str,
    /// The range that would have been accepted, in words.
    pub wanted: &'static str,
}

macro_rules! quantity {
    ($(#[$meta:meta])* $name:ident, $quantity:literal, $unit:literal, $wanted:literal, $digits:literal, $ok:expr) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// Takes the number in the type's unit.
            ///
            /// # Errors
            /// [`UnitError`] when the number lies outside the quantity's range (see the type).
            pub fn new(value: f64) -> Result<Self, UnitError> {
                let ok: fn(f64) -> bool = $ok;
                if value.is_finite() && ok(value) {
                    Ok(Self(value))
                } else {
                    Err(UnitError { quantity: $quantity, given: value, unit: $unit, wanted: $wanted })
                }
            }

            /// The number in the type's unit.
            #[must_use]
            pub const fn value(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = UnitError;
            fn try_from(value: f64) -> Result<Self, UnitError> {
                Self::new(value)
            }
        }

        impl From<$name> for f64 {
            fn from(q: $name) -> f64 {
                q.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let digits = f.precision().unwrap_or($digits);
                write!(f, "{:.*} {}", digits, self.0, $unit)
            }
        }
    };
}

quantity!(
    /// Impedance or resistance in ohm, from 0 (a short) up; an open circuit is a value of its own elsewhere, not a number here.
    Ohm, "resistance", "ohm", "a number of 0 or more", 2, |v| v >= 0.0
);
quantity!(
    /// Voltage in volt, rms.
    Volt, "voltage", "V", "a finite number", 2, |_| true
);
quantity!(
    /// Power in watt, 0 or more.
    Watt, "power", "W", "a number of 0 or more", 1, |v| v >= 0.0
);
quantity!(
    /// Frequency in hertz, above 0.
    Hertz, "frequency", "Hz", "a number above 0", 1, |v| v > 0.0
);
quantity!(
    /// A level difference or gain in decibel.
    Decibel, "level", "dB", "a finite number", 2, |_| true
);
quantity!(
    /// Absolute loudness in LUFS (ITU-R BS.1770).
    Lufs, "loudness", "LUFS", "a finite number", 2, |_| true
);
quantity!(
    /// A loudness difference in LU.
    Lu, "loudness difference", "LU", "a finite number", 2, |_| true
);
quantity!(
    /// True peak in dBTP (ITU-R BS.1770 Annex 2).
    Dbtp, "true peak", "dBTP", "a finite number", 2, |_| true
);
quantity!(
    /// A time span in seconds, 0 or more.
    Seconds, "time", "s", "a number of 0 or more", 3, |v| v >= 0.0
);
quantity!(
    /// A rate difference in parts per million.
    Ppm, "drift", "ppm", "a finite number", 3, |_| true
);
quantity!(
    /// A probability, 0 to 1.
    Probability, "probability", "", "a number from 0 to 1", 4, |v| (0.0..=1.0).contains(&v)
);

/// Frames per second of a recording: 1000 to 768 000.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u32", into = "u32")]
pub struct SampleRate(u32);

impl SampleRate {
    /// Takes frames per second.
    ///
    /// # Errors
    /// [`UnitError`] outside 1000..=768 000 Hz.
    pub fn new(hz: u32) -> Result<Self, UnitError> {
        if (1_000..=768_000).contains(&hz) {
            Ok(Self(hz))
        } else {
            Err(UnitError { quantity: "sample rate", given: f64::from(hz), unit: "Hz", wanted: "1000 to 768000" })
        }
    }

    /// Frames per second.
    #[must_use]
    pub const fn hz(self) -> u32 {
        self.0
    }

    /// Frames per second as a floating-point number.
    #[must_use]
    pub fn as_f64(self) -> f64 {
        f64::from(self.0)
    }
}

impl TryFrom<u32> for SampleRate {
    type Error = UnitError;
    fn try_from(hz: u32) -> Result<Self, UnitError> {
        Self::new(hz)
    }
}

impl From<SampleRate> for u32 {
    fn from(r: SampleRate) -> u32 {
        r.0
    }
}

impl fmt::Display for SampleRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} Hz", self.0)
    }
}
