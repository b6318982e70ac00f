//! What is normal for this engine: what was seen of it, and what stands in until enough was seen.

use crate::acquire::Channel;
use crate::condition::Tick;
use crate::ledger::packing::{Packer, Unpacker};
use crate::profile::Profile;
use crate::units::Quantity;

/// A healthy head may run this far over the opening temperature of its thermostat at idle (common practice: idle
/// 71 ± 11 °C with thermostats that open at 62 °C).
const OVER_THERMOSTAT_MILLIKELVIN: i32 = 10_000;
/// From this far over that on no healthy engine's head is found …
const UNHEALTHY_MILLIKELVIN: i32 = 8_000;
/// … and from this far under its limit on any climb matters (both own convention until commissioning).
const NEAR_LIMIT_MILLIKELVIN: i32 = 15_000;
/// How far under its limit the head of an engine without a thermostat is taken to run until it was seen.
const UNDER_LIMIT_MILLIKELVIN: i32 = 30_000;
/// The idle stream is readable once it stayed this far over what the meter can show at least …
const READABLE_PERCENT: i32 = 125;
/// … for this long.
const READABLE_AFTER_MS: u32 = 10_000;
/// Idle reaches up to this many per cent of the handbook's idle speed: the edge of the idle band.
const IDLE_UP_TO_PERCENT: i32 = 125;

/// What is known of this engine beyond its profile.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Normal {
    head_limit: i32,
    head_normal: i32,
    head_watch_from: i32,
    head_unhealthy_from: i32,
    idle_up_to_quarters: i32,
    readable_flow: i32,
    readable_ms: u32,
}

impl Normal {
    pub(crate) const fn new() -> Self {
        Self {
            head_limit: 0,
            head_normal: 0,
            head_watch_from: 0,
            head_unhealthy_from: 0,
            idle_up_to_quarters: 0,
            readable_flow: 0,
            readable_ms: 0,
        }
    }

    pub(crate) fn begin(&mut self, profile: &Profile) {
        *self = Self::new();
        self.head_limit = profile.head_limit_or_default().raw();
        self.head_normal = profile
            .thermostat_opens
            .map_or_else(|| self.head_limit.saturating_sub(UNDER_LIMIT_MILLIKELVIN), Quantity::raw);
        // Close under the limit a climb counts even if the installer set the limit close over the thermostat.
        self.head_watch_from = self
            .head_normal
            .saturating_add(OVER_THERMOSTAT_MILLIKELVIN)
            .min(self.head_limit.saturating_sub(OVER_THERMOSTAT_MILLIKELVIN));
        self.head_unhealthy_from = self
            .head_watch_from
            .saturating_add(UNHEALTHY_MILLIKELVIN)
            .min(self.head_limit.saturating_sub(NEAR_LIMIT_MILLIKELVIN))
            .max(self.head_watch_from);
        self.idle_up_to_quarters = (profile.idle.raw().saturating_mul(IDLE_UP_TO_PERCENT) / 400).saturating_mul(4);
        self.readable_flow = profile.flow_min_or_default().raw().saturating_mul(READABLE_PERCENT) / 100;
    }

    /// The head limit that applies, in m°C.
    pub(crate) const fn head_limit(&self) -> i32 {
        self.head_limit
    }

    /// Head temperature that a healthy warm engine has at least, in m°C.
    pub(crate) const fn head_normal(&self) -> i32 {
        self.head_normal
    }

    /// Head temperature from which a climb as steep as a warm-up is none any more, in m°C.
    pub(crate) const fn head_watch_from(&self) -> i32 {
        self.head_watch_from
    }

    /// Head temperature from which any climb counts, in m°C.
    pub(crate) const fn head_unhealthy_from(&self) -> i32 {
        self.head_unhealthy_from
    }

    /// Whether an engine speed in ¼ rpm lies in the idle band.
    pub(crate) const fn at_idle(&self, quarters: i32) -> bool {
        quarters <= self.idle_up_to_quarters
    }

    /// Whether this engine's idle stream is strong enough for its meter, so that no reading means no water.
    pub(crate) const fn idle_stream_readable(&self) -> bool {
        self.readable_ms >= READABLE_AFTER_MS
    }

    /// Writes down what was learned: one byte, 1 if the idle stream is readable.
    pub(crate) fn pack(&self, packer: &mut Packer<'_>) {
        packer.u8(u8::from(self.idle_stream_readable()));
    }

    /// Takes back what was written down; `None` if it ends too early.
    pub(crate) fn unpack(&mut self, kept: &mut Unpacker<'_>) -> Option<()> {
        if kept.u8()? != 0 {
            self.readable_ms = READABLE_AFTER_MS;
        }
        Some(())
    }

    /// Learns from one tick.
    pub(crate) fn learn(&mut self, tick: &Tick) {
        if self.idle_stream_readable() || !tick.run.running {
            return;
        }
        let Some(rpm) = tick.good(Channel::Rpm) else { return };
        let Some(flow) = tick.good(Channel::Flow) else { return };
        if !self.at_idle(rpm) {
            return;
        }
        self.readable_ms = if flow >= self.readable_flow && !tick.after_hole() {
            self.readable_ms.saturating_add(tick.since_last_ms)
        } else {
            0
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Flow, Rpm, Temperature};

    fn profile() -> Profile {
        let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
        profile.flow_min = Some(Flow::from_millilitres_per_minute(400));
        profile
    }

    #[test]
    fn head_limits() {
        let celsius = |value: i32| Some(Temperature::from_millicelsius(value * 1_000));
        let cases = [
            ("all known", celsius(62), celsius(95), 95_000, 62_000, 72_000, 80_000),
            ("limit close over the thermostat", celsius(80), celsius(95), 95_000, 80_000, 85_000, 85_000),
            ("no limit", celsius(62), None, 90_000, 62_000, 72_000, 75_000),
            ("no thermostat", None, celsius(80), 80_000, 50_000, 60_000, 65_000),
        ];
        for (name, opens, limit, head_limit, head_normal, watch_from, unhealthy_from) in cases {
            let mut normal = Normal::new();
            normal.begin(&Profile { thermostat_opens: opens, head_limit: limit, ..profile() });
            let found =
                (normal.head_limit(), normal.head_normal(), normal.head_watch_from(), normal.head_unhealthy_from());
            assert_eq!(found, (head_limit, head_normal, watch_from, unhealthy_from), "{name}");
        }
    }

    #[test]
    fn the_idle_stream_is_readable_after_ten_seconds_well_over_the_meters_least() {
        let cases = [
            ("strong stream at idle", 750, 500, true),
            ("stream at the edge of the meter", 750, 499, false),
            ("only at speed", 3_000, 2_000, false),
        ];
        for (name, rpm, flow, expected) in cases {
            let mut normal = Normal::new();
            normal.begin(&profile());
            let mut tick = Tick::NONE;
            tick.run.running = true;
            tick.since_last_ms = 1_000;
            tick.set_for_test(Channel::Rpm, rpm * 4);
            tick.set_for_test(Channel::Flow, flow);
            for _ in 0..9 {
                normal.learn(&tick);
                assert!(!normal.idle_stream_readable(), "{name}: too early");
            }
            normal.learn(&tick);
            assert_eq!(normal.idle_stream_readable(), expected, "{name}");
        }
    }
}
