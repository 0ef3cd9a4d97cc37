//! The usual cautions. Local codes, the maker's manual and licensed practice win.

/// Before a valve amplifier is connected.
pub const VALVE: [&str; 4] = [
    "Valve amplifiers hold several hundred volts, also when switched off and unplugged. This tool never asks you to open one: that is for a licensed technician.",
    "Never run a valve amplifier without its load.",
    "Before any change of cable, wiring or tap: volume to zero, power off, unplug, wait. Standby alone is not enough.",
    "Follow the amplifier maker's manual and local electrical rules; where they differ from this, they win.",
];

/// Before a solid-state amplifier is connected.
pub const SOLID_STATE: [&str; 2] = [
    "Power off before any change of cable or wiring; never go below the least load that the maker states.",
    "Follow the amplifier maker's manual and local electrical rules; where they differ from this, they win.",
];

/// Cables and meter.
pub const CABLE_AND_METER: [&str; 3] = [
    "Use speaker cable, not instrument cable, and check each plug for a short.",
    "Read the wiring with an ohmmeter, amplifier disconnected, before its first power-on.",
    "Two jacks of an amplifier are assumed to be in parallel; check the manual.",
];

/// Before an ohmmeter is held to a plug.
pub const BEFORE_METERING: &str = "Before you read: amplifier off, unplugged, and the speaker cable out of the amplifier.";

/// Whoever compares powers says this.
pub const CLIPPING: &str = "in clipping an amplifier gives up to twice its rating";

/// Near a driven cab.
pub const HEARING: &str = "Use ear protection near a driven cab, or put it in another room.";

/// The line of the run sheet at every change.
pub const CHANGE: &str = "volume to zero, power off, unplug, wait; then change, then meter";

/// Minutes a day that NIOSH's recommended limit allows at a level in dBA: 480 / 2^((L - 85)/3) (85 dBA over 8 h, 3 dB exchange rate; NIOSH noise
/// topic page). An occupational limit; for leisure it promises nothing.
#[must_use]
pub fn exposure_minutes(level_dba: f64) -> f64 {
    480.0 / 2f64.powf((level_dba - 85.0) / 3.0)
}
