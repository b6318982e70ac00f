//! What is normal for this engine: what was seen of it, and what stands in until enough was seen.

use super::expected::Expected;
use super::learned::{Learned, Norm};
use super::wear::Wear;
use crate::acquire::Channel;
use crate::condition::{Block, Tick};
use crate::ledger::packing::{Packer, Unpacker};
use crate::num::percent_of_quarters;
use crate::profile::{HEAD_LIMIT_DEFAULT, Profile};
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
/// Without a limit of the handbook, the limit lies so far over the head of the warm idle (common practice) …
const LIMIT_OVER_IDLE_MILLIKELVIN: i32 = 20_000;
/// Water that shows within this time of a start, in milliseconds, was there.
const AT_ONCE_MS: u32 = 4_000;
/// Longest time to water that is learned, in milliseconds: the longest that may pass before `dry-start` is late.
const LONGEST_TO_WATER_MS: u32 = 30_000;
/// Blocks at one speed after which the flow belongs to it …
const FLOW_SETTLED_BLOCKS: u8 = 2;
/// … and after which the head does, if it does not move any more.
const HEAD_SETTLED_BLOCKS: u8 = 6;
/// A settled head moves less than this from block to block.
const HEAD_SETTLED_MILLIKELVIN: i32 = 300;
/// Starts from which the cranking voltage is believed, and after which it is not changed any more.
const CRANKING_STARTS: u8 = 3;
const ENOUGH_STARTS: u8 = 6;
/// Under this a boat is not in gear, in 0.001 kn.
const IN_GEAR_MILLIKNOTS: i32 = 500;
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
    /// Quarter turns of the engine from a start to its first water, the most of late.
    to_water_quarters: u16,
    limit_is_known: bool,
    head_before: i32,
    /// Lowest voltage while cranking, in mV, and the starts it rests on.
    cranking_millivolts: u16,
    cranking_starts: u8,
    /// Usual second differences of each channel, in its own unit.
    noise: [u16; Channel::COUNT],
    pub(crate) learned: Learned,
    pub(crate) wear: Wear,
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
            to_water_quarters: 0,
            limit_is_known: false,
            head_before: 0,
            cranking_millivolts: 0,
            cranking_starts: 0,
            noise: [0; Channel::COUNT],
            learned: Learned::new(),
            wear: Wear::new(),
        }
    }

    pub(crate) fn begin(&mut self, profile: &Profile) {
        self.limit_is_known = profile.head_limit.is_some();
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
        self.idle_up_to_quarters = percent_of_quarters(profile.idle.raw(), IDLE_UP_TO_PERCENT);
        self.learned.begin(self.idle_up_to_quarters >> 2_u32, profile.max.raw() >> 2_u32);
        self.readable_flow = profile.flow_min_or_default().raw().saturating_mul(READABLE_PERCENT) / 100;
        self.renew_limit();
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

    /// Quarter turns of the engine after which its water shows at the telltale, and half as many more; 0 before it was seen.
    pub(crate) const fn turns_to_water(&self) -> u16 {
        self.to_water_quarters.saturating_add(self.to_water_quarters >> 1_u32)
    }

    /// Water came so long and so many quarter turns after a start.
    pub(crate) fn learn_way_to_water(&mut self, after_ms: u32, quarters: u16) {
        // Later it was not the start that the water waited for. What is there once the engine is seen to run waited for
        // nothing.
        if after_ms > LONGEST_TO_WATER_MS {
            return;
        }
        let quarters = if after_ms < AT_ONCE_MS { 0 } else { quarters };
        // The longest way counts; what is never needed again fades, a sixty-fourth a start.
        let faded = self.to_water_quarters.saturating_sub(self.to_water_quarters >> 6_u32);
        self.to_water_quarters = faded.max(quarters);
    }

    /// Forgets what was learned of the engine; the profile stays.
    pub(crate) fn forget_learned(&mut self) {
        self.learned.forget();
        if !self.limit_is_known {
            self.head_limit = HEAD_LIMIT_DEFAULT.raw();
        }
        self.wear = Wear::new();
        self.noise = [0; Channel::COUNT];
        self.cranking_starts = 0;
        self.to_water_quarters = 0;
        self.readable_ms = 0;
    }

    /// Lowest voltage while the starter turns, in mV, once three starts were seen.
    pub(crate) fn cranking(&self) -> Option<i32> {
        (self.cranking_starts >= CRANKING_STARTS).then_some(i32::from(self.cranking_millivolts))
    }

    /// The starter pulled the supply down to so many mV.
    pub(crate) fn learn_cranking(&mut self, lowest: i32) {
        if self.cranking_starts >= ENOUGH_STARTS {
            return;
        }
        // The lowest counts: a slow logger meets the deepest moment of a start in some of them only.
        let lowest = u16::try_from(lowest).unwrap_or(0);
        let before = if self.cranking_starts == 0 { u16::MAX } else { self.cranking_millivolts };
        self.cranking_millivolts = before.min(lowest);
        self.cranking_starts = self.cranking_starts.saturating_add(1);
    }

    /// Usual second difference of a channel from second to second, in its own unit.
    pub(crate) fn noise(&self, channel: Channel) -> i32 {
        self.noise.get(channel.index()).copied().map_or(0, i32::from)
    }

    /// A look at a channel showed this mean second difference.
    pub(crate) fn learn_noise(&mut self, channel: Channel, mean: i32) {
        let Some(noise) = self.noise.get_mut(channel.index()) else { return };
        let mean = u16::try_from(mean).unwrap_or(u16::MAX);
        let apart = i32::from(mean).saturating_sub(i32::from(*noise));
        let gain = if *noise == 0 { 0 } else { 3 };
        *noise = u16::try_from(i32::from(*noise).saturating_add(apart >> gain)).unwrap_or(*noise);
    }

    /// Learns from one block of a healthy engine afloat.
    pub(crate) fn learn_block(&mut self, block: &Block, expected: &Expected) {
        let Some(quarters) = block.good(Channel::Rpm) else { return };
        let head = block.good(Channel::Head);
        let still =
            head.is_some_and(|head| head.saturating_sub(self.head_before).saturating_abs() <= HEAD_SETTLED_MILLIKELVIN);
        self.head_before = head.unwrap_or(0);
        if block.steady < FLOW_SETTLED_BLOCKS {
            return;
        }
        let rpm = quarters >> 2_u32;
        let mut learn =
            |norm: Norm, value: Option<i32>| value.is_some_and(|value| self.learned.learn(rpm, norm, value));
        // A thermostat that is about to open, or has just opened, is neither.
        if expected.is_open_for_long() {
            learn(Norm::FlowOpen, block.good(Channel::Flow));
        } else if !expected.thermostat_open && !expected.is_about_to_open(head) {
            learn(Norm::FlowShut, block.good(Channel::Flow));
        }
        learn(Norm::Supply, block.good(Channel::Supply));
        let in_gear = |speed: &i32| *speed >= IN_GEAR_MILLIKNOTS;
        learn(Norm::Speed, block.good(Channel::Speed).filter(in_gear));
        if expected.warm {
            learn(Norm::Oil, block.good(Channel::Oil));
            if still && expected.has_been_hot() && block.steady >= HEAD_SETTLED_BLOCKS && learn(Norm::Head, head) {
                if let Some(water) = block.good(Channel::Water) {
                    self.learned.learn(rpm, Norm::Water, water);
                }
                self.renew_limit();
            }
        }
    }

    /// Without a limit of the handbook: so far over the warm idle, and never over the default.
    fn renew_limit(&mut self) {
        if self.limit_is_known {
            return;
        }
        if let Some(idle) = self.learned.at((self.idle_up_to_quarters >> 2_u32).saturating_mul(4) / 5, Norm::Head) {
            self.head_limit = idle.saturating_add(LIMIT_OVER_IDLE_MILLIKELVIN).min(HEAD_LIMIT_DEFAULT.raw());
        }
    }

    /// Writes down what was learned: 1 byte, 1 if the idle stream is readable; the time to water, 2; cranking voltage and
    /// starts, 3; noise of each channel, 2 each; the curves; the wear.
    pub(crate) fn pack(&self, packer: &mut Packer<'_>) {
        packer.u8(u8::from(self.idle_stream_readable()));
        packer.u16(self.to_water_quarters);
        packer.u16(self.cranking_millivolts);
        packer.u8(self.cranking_starts);
        self.noise.iter().for_each(|noise| packer.u16(*noise));
        self.learned.pack(packer);
        self.wear.pack(packer);
    }

    /// Takes back what the first version wrote down: the readable idle stream alone.
    pub(crate) fn unpack_first_version(&mut self, kept: &mut Unpacker<'_>) -> Option<()> {
        if kept.u8()? != 0 {
            self.readable_ms = READABLE_AFTER_MS;
        }
        Some(())
    }

    /// Takes back what was written down; `None` if it ends too early.
    pub(crate) fn unpack(&mut self, kept: &mut Unpacker<'_>) -> Option<()> {
        self.unpack_first_version(kept)?;
        self.to_water_quarters = kept.u16()?;
        self.cranking_millivolts = kept.u16()?;
        self.cranking_starts = kept.u8()?;
        for noise in &mut self.noise {
            *noise = kept.u16()?;
        }
        self.learned.unpack(kept)?;
        self.wear.unpack(kept)?;
        self.renew_limit();
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
    fn a_limit_that_was_learned_goes_with_what_it_rests_on() {
        let warm_idle = |normal: &mut Normal| {
            for _ in 0..16 {
                normal.learned.learn(750, Norm::Head, 60_000);
            }
            normal.renew_limit();
        };
        let limits = [("none of the handbook", None, 80_000, 90_000), ("the handbook's", Some(85_000), 85_000, 85_000)];
        for (name, limit, learned, forgotten) in limits {
            let profile = Profile { head_limit: limit.map(Temperature::from_millicelsius), ..profile() };
            let mut normal = Normal::new();
            normal.begin(&profile);
            warm_idle(&mut normal);
            assert_eq!(normal.head_limit(), learned, "{name}: learned");
            normal.begin(&profile);
            assert_eq!(normal.head_limit(), learned, "{name}: the same engine again");
            normal.forget_learned();
            assert_eq!(normal.head_limit(), forgotten, "{name}: forgotten");
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
