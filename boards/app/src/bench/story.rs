//! What happens aboard, and when.

/// What the meter in the telltale sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Water {
    /// Nothing moves.
    Still,
    /// The boat rocks: water swings in the hose and turns the rotor to and fro.
    Rocking,
    /// The pump delivers.
    Stream,
    /// Weed lies on the intake.
    Weed,
}

/// The lead of the head's thermistor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lead {
    /// As it should be.
    Whole,
    /// Off its terminal; leakage through salt holds the input at what −18 °C would give.
    Off,
}

/// How far the ignition couples into the tachometer's lead.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ignition {
    /// A spike with every third pulse, and now and then one as long as a pulse.
    Usual,
    /// Spikes with every pulse, on both levels: a cracked lead on a wet day.
    Leaking,
}

/// A stretch of time in which the same holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Phase {
    pub(super) until_s: u32,
    /// What the throttle asks for, in rpm.
    pub(super) rpm: u32,
    pub(super) water: Water,
    pub(super) lead: Lead,
    pub(super) ignition: Ignition,
}

const fn phase(until_s: u32, rpm: u32, water: Water) -> Phase {
    Phase { until_s, rpm, water, lead: Lead::Whole, ignition: Ignition::Usual }
}

/// Nearly thirteen minutes with one engine.
pub(super) const STORY: [Phase; 17] = [
    phase(4, 0, Water::Still),
    phase(18, 0, Water::Rocking),
    phase(20, 0, Water::Still),
    // The starter.
    phase(22, 200, Water::Still),
    phase(100, 800, Water::Stream),
    phase(250, 3_000, Water::Stream),
    Phase { ignition: Ignition::Leaking, ..phase(280, 3_000, Water::Stream) },
    phase(330, 3_000, Water::Stream),
    // The propeller leaves the water.
    phase(340, 6_300, Water::Stream),
    phase(420, 3_000, Water::Stream),
    phase(488, 3_000, Water::Weed),
    // The skipper eases off at last; the weed falls off.
    phase(510, 800, Water::Weed),
    phase(530, 800, Water::Stream),
    phase(600, 2_500, Water::Stream),
    Phase { lead: Lead::Off, ..phase(660, 2_500, Water::Stream) },
    phase(705, 800, Water::Stream),
    phase(760, 0, Water::Rocking),
];

/// What holds at a second of the story; nothing after its end.
pub(super) fn at(second: u32) -> Option<&'static Phase> {
    STORY.iter().find(|phase| second < phase.until_s)
}
