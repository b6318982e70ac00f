//! What looks like trouble and is none: no finding may come of it.

use monitor_core::acquire::Channel;

use super::days::{Leg, Speeds};
use super::labels::NearMiss;
use super::sensors::{SensorFault, SensorFaults};
use crate::plant::{Demand, Sea, Wear};

/// The kinds of near misses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Gusts push and hold the boat.
    Gusts,
    /// Waves.
    RoughSea,
    /// Something is towed: the boat is slow for its engine speed.
    Tow,
    /// Shallow water holds the boat back.
    ShallowWater,
    /// Current along the course: speed over ground says little.
    Current,
    /// The engine is stopped while hot and started again.
    HotRestart,
    /// The lever never rests.
    ThrottleWork,
    /// Half-second gulps of air at the intake.
    AirBubbles,
    /// On the hose: good water, no speed.
    Hose,
    /// Astern.
    Reverse,
    /// Short blips against the limiter.
    Limiter,
    /// A cold battery sags while the starter turns.
    CrankingSag,
    /// The propeller draws air in a turn.
    Ventilation,
    /// A blank cell now and then.
    Dropouts,
    /// The board restarts: no rows for some seconds.
    BrownOut,
    /// No rows until the end: the logger had no power.
    PowerCut,
    /// Spikes of the ignition in the analog leads.
    IgnitionNoise,
    /// Lamps and pumps draw current.
    ElectricLoad,
    /// A little weed on the propeller.
    PropellerWeed,
    /// Raw water of another temperature comes in, as at a river's mouth.
    ColdWater,
    /// Vanes that took a set while the boat was laid up: little water at first.
    SetImpeller,
}

impl Kind {
    pub(crate) const ALL: [Self; 21] = [
        Self::Gusts,
        Self::RoughSea,
        Self::Tow,
        Self::ShallowWater,
        Self::Current,
        Self::HotRestart,
        Self::ThrottleWork,
        Self::AirBubbles,
        Self::Hose,
        Self::Reverse,
        Self::Limiter,
        Self::CrankingSag,
        Self::Ventilation,
        Self::Dropouts,
        Self::BrownOut,
        Self::PowerCut,
        Self::IgnitionNoise,
        Self::ElectricLoad,
        Self::PropellerWeed,
        Self::ColdWater,
        Self::SetImpeller,
    ];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Gusts => "gusts",
            Self::RoughSea => "rough-sea",
            Self::Tow => "tow",
            Self::ShallowWater => "shallow-water",
            Self::Current => "current",
            Self::HotRestart => "hot-restart",
            Self::ThrottleWork => "throttle-work",
            Self::AirBubbles => "air-bubbles",
            Self::Hose => "hose",
            Self::Reverse => "reverse",
            Self::Limiter => "limiter",
            Self::CrankingSag => "cranking-sag",
            Self::Ventilation => "ventilation",
            Self::Dropouts => "dropouts",
            Self::BrownOut => "brown-out",
            Self::PowerCut => "power-cut",
            Self::IgnitionNoise => "ignition-noise",
            Self::ElectricLoad => "electric-load",
            Self::PropellerWeed => "propeller-weed",
            Self::ColdWater => "cold-water",
            Self::SetImpeller => "set-impeller",
        }
    }

    pub(crate) fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
}

/// One near miss with its numbers drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Occurrence {
    pub(super) kind: Kind,
    pub(super) trip: i16,
    pub(super) onset_s: f64,
    /// `None`: to the end of the trip.
    pub(super) end_s: Option<f64>,
    /// From 0 to 1: how strong.
    pub(super) severity: f64,
}

/// Everything that acts on the plant and its sensors at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Moment {
    pub(super) demand: Demand,
    pub(super) wear: Wear,
    pub(super) faults: SensorFaults,
    /// Kelvin on the raw water.
    pub(super) water_shift_k: f64,
    /// No row is written.
    pub(super) is_dark: bool,
}

impl Occurrence {
    pub(super) const fn as_near_miss(&self) -> NearMiss {
        NearMiss { trip: self.trip, kind: self.kind.name(), onset_s: self.onset_s, end_s: self.end_s }
    }

    pub(super) fn stands(&self, trip: i16, at_s: f64) -> bool {
        trip == self.trip && at_s >= self.onset_s && self.end_s.is_none_or(|end_s| at_s < end_s)
    }

    /// Does what it does at `at_s`.
    pub(super) fn act(&self, at_s: f64, leg: &Leg, speeds: Speeds, moment: &mut Moment) {
        let since_s = at_s - self.onset_s;
        // True for `on_s` seconds in each `every_s`.
        let pulse = |on_s: f64, every_s: f64| since_s % every_s < on_s;
        let (severity, demand) = (self.severity, &mut moment.demand);
        match self.kind {
            Kind::Gusts => demand.sea.gust_kn = demand.sea.gust_kn.max(1.5 * severity),
            Kind::RoughSea => {
                let wave_height_m = Sea::ROUGH.wave_height_m * severity;
                demand.sea = Sea { wave_height_m, gust_kn: demand.sea.gust_kn, ..Sea::ROUGH };
            }
            Kind::Tow => demand.tow_n += 25.0 * speeds.rated_kw * severity,
            // The wave that the boat makes cannot run away: common practice, told as extra pull.
            Kind::ShallowWater => demand.tow_n += 10.0 * speeds.rated_kw * severity,
            Kind::Current => demand.current_kn += if pulse(120.0, 240.0) { 3.0 } else { -3.0 } * severity,
            Kind::HotRestart => demand.rpm_wanted = 0.0,
            Kind::ThrottleWork if leg.in_gear && pulse(6.0, 13.0) => {
                demand.rpm_wanted = speeds.idle_rpm.max(leg.rpm * (1.0 - 0.6 * severity));
            }
            Kind::AirBubbles if pulse(0.5, 20.0) => moment.wear.air_in_intake = 0.6 * severity,
            Kind::Hose => {
                demand.hose_lpm = Some(18.0);
                demand.in_gear = false;
                demand.rpm_wanted = demand.rpm_wanted.min(2.0 * speeds.idle_rpm);
            }
            Kind::Reverse if leg.in_gear => {
                demand.astern = true;
                demand.rpm_wanted = demand.rpm_wanted.min((1.0 + 1.5 * severity) * speeds.idle_rpm);
            }
            // Shorter than the three seconds from which it would be a true over-speed.
            Kind::Limiter if leg.in_gear && pulse(2.0, 15.0) => {
                demand.rpm_wanted = speeds.rated_rpm * 1.3;
                demand.trim = 1.0;
            }
            Kind::CrankingSag => moment.wear.connection_ohm = 0.003 * severity,
            Kind::Ventilation if pulse(1.5, 30.0) => moment.wear.propeller_ventilating = 0.3 * severity,
            Kind::Dropouts => self.dropouts(since_s, &mut moment.faults),
            Kind::BrownOut => moment.is_dark |= since_s < 2.0 + 2.0 * severity,
            Kind::PowerCut => moment.is_dark = true,
            Kind::IgnitionNoise => moment.faults.spikes_per_minute = 6.0 * severity,
            Kind::ElectricLoad if pulse(40.0, 90.0) => demand.boat_load_a += 12.0 * severity,
            Kind::PropellerWeed => moment.wear.propeller_fouled = 0.15 * severity,
            // Common practice: they straighten within minutes (how many is an own assumption).
            Kind::SetImpeller => moment.wear.impeller_worn = 0.35 * severity * (1.0 - since_s / 240.0).max(0.0),
            Kind::ColdWater => moment.water_shift_k = -6.0 * severity,
            _ => {}
        }
    }

    /// One channel after the other is blank for a few seconds, never for the thirty that would be an open lead.
    fn dropouts(&self, since_s: f64, faults: &mut SensorFaults) {
        const EVERY_S: f64 = 25.0;
        if since_s % EVERY_S < 8.0 * self.severity {
            let turn = (since_s / EVERY_S) as usize % (Channel::COUNT - 1);
            // The engine speed stays: without it nothing is judged at all.
            if let Some(channel) = Channel::ALL.get(turn + 1) {
                faults.set(*channel, SensorFault::Blank);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_does_something_and_nothing_outside_its_time() {
        let speeds = Speeds { idle_rpm: 750.0, rated_rpm: 5_500.0, rated_kw: 44.0 };
        let leg = Leg { until_s: 900.0, rpm: 3_000.0, in_gear: true, ..Leg::OFF };
        for kind in Kind::ALL {
            assert_eq!(Kind::from_name(kind.name()), Some(kind));
            let near_miss = Occurrence { kind, trip: 1, onset_s: 100.0, end_s: Some(200.0), severity: 1.0 };
            for (trip, at_s, expected) in [(0, 150.0, false), (1, 99.9, false), (1, 100.0, true), (1, 200.0, false)] {
                assert_eq!(near_miss.stands(trip, at_s), expected, "{} in trip {trip} at {at_s}", kind.name());
            }
            let calm = Moment {
                demand: Demand { rpm_wanted: 3_000.0, in_gear: true, ..Demand::default() },
                ..Moment::default()
            };
            let mut moment = calm;
            near_miss.act(100.0, &leg, speeds, &mut moment);
            assert_ne!(moment, calm, "{}", kind.name());
        }
    }

    #[test]
    fn dropouts_never_last_as_long_as_an_open_lead() {
        let near_miss = Occurrence { kind: Kind::Dropouts, trip: 0, onset_s: 0.0, end_s: None, severity: 1.0 };
        for channel in Channel::ALL {
            let (mut blank_s, mut longest_s) = (0.0_f64, 0.0_f64);
            for half_second in 0..2_000_u16 {
                let mut faults = SensorFaults::default();
                near_miss.dropouts(f64::from(half_second) / 2.0, &mut faults);
                blank_s = if faults.of(channel) == SensorFault::Blank { blank_s + 0.5 } else { 0.0 };
                longest_s = longest_s.max(blank_s);
            }
            assert_eq!(longest_s, if channel == Channel::Rpm { 0.0 } else { 8.0 }, "{}", channel.name());
        }
    }
}
