//! What this engine would show now if it were well.

use super::Normal;
use super::learned::Norm;
use crate::acquire::Channel;
use crate::condition::{HOLE_MS, Tick};
use crate::profile::{Profile, Telltale};
use crate::units::Quantity;

/// The thermostat counts as open from this far under its nominal temperature …
const OPEN_UNDER_MILLIKELVIN: i32 = 2_000;
/// … has found its place after this, in milliseconds …
const OPEN_FOR_MS: u32 = 60_000;
/// … and may be opening from this far under its nominal temperature.
const ABOUT_TO_OPEN_MILLIKELVIN: i32 = 8_000;
/// An engine is warm once its head came so close to the temperature at which the thermostat opens …
const WARM_UNDER_MILLIKELVIN: i32 = 3_000;
/// … or after this time, where the thermostat is not reached (cold water, or none fitted).
const WARM_AFTER_MS: u32 = 600_000;
/// The same without a thermostat or without a head sensor.
const WARM_WITHOUT_AFTER_MS: u32 = 300_000;
/// Without a sensor for it, the raw water may be so much colder or warmer than when the head was learned, in m°C (own
/// convention: a season and a river mouth).
const COLDER_MILLIKELVIN: i32 = 15_000;
const WARMER_MILLIKELVIN: i32 = 8_000;
/// Speeds within this part of each other are looked up once: 1/64.
const SAME_SPEED_SHIFT: u32 = 6;
/// Ticks after which everything is looked up anew.
const LOOK_UP_EVERY: u8 = 8;
/// What the head may still show of a higher load before falls by this part of itself every second: 1/128.
const COOLS_SHIFT: u32 = 7;

/// The expectation of one tick.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Expected {
    /// Telltale flow at this speed and state of the thermostat, in mL/min; `None` where it was never seen.
    pub(crate) flow: Option<i32>,
    /// Head at this speed once it has settled, in m°C; `None` where it was never seen.
    pub(crate) head: Option<i32>,
    /// The most that the head may show after the speeds of the last minutes, in m°C.
    pub(crate) head_at_most: Option<i32>,
    /// Whether the thermostat is open, by what the head shows.
    pub(crate) thermostat_open: bool,
    /// Whether the engine has warmed up in this run, and for how long it has been, in milliseconds.
    pub(crate) warm: bool,
    pub(crate) warm_ms: u32,
    /// Whether the head came up to its thermostat in this run: only then is it known to have settled anywhere.
    was_hot: bool,
    /// Whether the head was seen cold in this run: only then does it warm up.
    was_cold: bool,
    /// The most that the settled head shows at this speed in this water, in m°C.
    settled: Option<i32>,
    /// Engine speed in whole rpm and state of the thermostat that were looked up, and the ticks since then.
    looked_up_at: i32,
    was_open: bool,
    age: u8,
    /// Temperature at which the thermostat opens, in m°C.
    opens: Option<i32>,
}

impl Expected {
    pub(crate) const NONE: Self = Self {
        flow: None,
        head: None,
        head_at_most: None,
        thermostat_open: false,
        warm: false,
        warm_ms: 0,
        was_hot: false,
        was_cold: false,
        settled: None,
        looked_up_at: 0,
        was_open: false,
        age: LOOK_UP_EVERY,
        opens: None,
    };

    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, tick: &Tick, profile: &Profile, normal: &Normal) {
        let rpm = match tick.good(Channel::Rpm) {
            Some(rpm) if tick.run.running => rpm >> 2_u32,
            _ => {
                if !tick.run.running {
                    *self = Self::NONE;
                }
                return;
            }
        };
        let head = tick.good(Channel::Head);
        self.follow_warmth(tick, head, profile, normal);
        self.look_up(rpm, tick, profile, normal);
        let Some(settled) = self.settled else {
            self.head_at_most = None;
            return;
        };
        let before = match self.head_at_most {
            // A head that comes hot into a run cools down first.
            None => head.unwrap_or(settled),
            Some(before) => before,
        };
        let seconds = i32::try_from(tick.since_last_ms.min(HOLE_MS) >> 10_u32).unwrap_or(0).max(1);
        let fall = before.wrapping_sub(settled).wrapping_mul(seconds) >> COOLS_SHIFT;
        self.head_at_most = Some(before.wrapping_sub(fall.max(0)).max(settled));
    }

    /// Looks up what is normal where the speed or the thermostat has changed, else every eighth tick: the rest goes too
    /// slowly to matter.
    fn look_up(&mut self, rpm: i32, tick: &Tick, profile: &Profile, normal: &Normal) {
        let moved = rpm.wrapping_sub(self.looked_up_at).wrapping_abs() > rpm >> SAME_SPEED_SHIFT;
        self.age = self.age.wrapping_add(1);
        if !moved && self.age < LOOK_UP_EVERY && self.thermostat_open == self.was_open {
            return;
        }
        self.age = 0;
        self.looked_up_at = rpm;
        self.was_open = self.thermostat_open;
        let [norm, other] =
            if self.thermostat_open { [Norm::FlowOpen, Norm::FlowShut] } else { [Norm::FlowShut, Norm::FlowOpen] };
        self.flow = normal.learned.at(rpm, norm);
        if self.flow.is_none() && profile.telltale == Telltale::BeforeThermostat {
            // Before the thermostat the telltale hardly notices it.
            self.flow = normal.learned.at(rpm, other);
        }
        self.head = normal.learned.at(rpm, Norm::Head);
        self.settled = self.head.map(|head| HeadSpan::around(head, rpm, tick.good(Channel::Water), normal).high);
    }

    /// Whether the thermostat has been open for long enough to have found its place.
    pub(crate) const fn is_open_for_long(&self) -> bool {
        self.thermostat_open && self.warm_ms >= OPEN_FOR_MS
    }

    /// Whether the head is so near the temperature of the thermostat that it may be opening.
    pub(crate) fn is_about_to_open(&self, head: Option<i32>) -> bool {
        !self.warm
            && head.zip(self.opens).is_some_and(|(head, opens)| head >= opens.wrapping_sub(ABOUT_TO_OPEN_MILLIKELVIN))
    }

    /// Whether a head that does not move has warmed up, and not just does so slowly.
    pub(crate) const fn has_been_hot(&self) -> bool {
        self.was_hot || (self.warm && self.opens.is_none())
    }

    fn follow_warmth(&mut self, tick: &Tick, head: Option<i32>, profile: &Profile, normal: &Normal) {
        self.opens = profile.thermostat_opens.map(Quantity::raw);
        let since_ms = tick.run.since_start_ms;
        if let Some(head) = head
            && !self.was_cold
            && !self.warm
        {
            // Warm from the first second on: it has been so for long.
            if head >= normal.head_normal() {
                self.warm = true;
                self.warm_ms = WARM_AFTER_MS;
            } else {
                self.was_cold = true;
            }
        }
        if self.warm {
            self.warm_ms = self.warm_ms.saturating_add(tick.since_last_ms);
        }
        match (profile.thermostat_opens, head) {
            (Some(opens), Some(head)) => {
                self.thermostat_open = head >= opens.raw().wrapping_sub(OPEN_UNDER_MILLIKELVIN);
                self.was_hot |= head >= opens.raw().saturating_sub(WARM_UNDER_MILLIKELVIN);
                self.warm |= self.was_hot || since_ms >= WARM_AFTER_MS;
            }
            (Some(_), None) => {
                self.warm |= since_ms >= WARM_WITHOUT_AFTER_MS;
                self.thermostat_open = self.warm;
            }
            (None, _) => {
                self.warm |= since_ms >= WARM_WITHOUT_AFTER_MS;
                self.thermostat_open = true;
            }
        }
    }
}

/// Head of a well engine at one speed in the water of today, in m°C: from, to.
///
/// A thermostat holds the head in any water until it is wide open, or the relief valve takes over; then the head goes with
/// the water. Which of both it will be is not known beforehand: the head may stay, or go with the water.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct HeadSpan {
    pub(crate) low: i32,
    pub(crate) high: i32,
}

impl HeadSpan {
    /// The span at `rpm` (whole rpm), where `head` was learned.
    pub(crate) fn around(head: i32, rpm: i32, water: Option<i32>, normal: &Normal) -> Self {
        let then = || normal.learned.at(rpm, Norm::Water);
        match water.and_then(|now| then().map(|then| now.wrapping_sub(then))) {
            Some(warmer) => Self { low: head.wrapping_add(warmer.min(0)), high: head.wrapping_add(warmer.max(0)) },
            None => Self { low: head.wrapping_sub(COLDER_MILLIKELVIN), high: head.wrapping_add(WARMER_MILLIKELVIN) },
        }
    }
}
