//! Three comparators that a careful owner could build from parts, scored beside the monitor on the same samples.
//!
//! - a switch at the head limit that lets go 20 K below it: `head-over-limit`
//! - flow under half of what the commissioning trip showed at that speed, for 10 s: `stream-lost`
//! - supply under 12.6 V for 60 s of time above 2,000 rpm: `charge-lost`
//!
//! They look at the engine only while it turns, and a comparator that trips again within 60 s is the same episode, as with the
//! monitor.

use monitor_core::acquire::{Channel, Quality, Readings};
use monitor_core::finding::Finding;
use monitor_core::profile::Profile;
use monitor_core::units::{Quantity, Temperature};

use super::episode::Episode;
use super::fault::Moment;
use super::relations::Named;

/// The temperature switch lets go this far below the limit, in m°C.
const SWITCH_HYSTERESIS_MK: i32 = 20_000;
/// Flow is too low for this long, in milliseconds.
const FLOW_DELAY_MS: i64 = 10_000;
/// Supply that does not charge, in mV.
const SUPPLY_LEAST_MV: i32 = 12_600;
/// Supply is too low for this long above that speed, in milliseconds.
const SUPPLY_DELAY_MS: i64 = 60_000;
/// Speed from which an engine charges, in ¼ rpm.
const CHARGING_SPEED_QUARTERS: i32 = 2_000 * 4;
/// Easing off for less than this stops the clock of the supply and does not reset it, in milliseconds.
const PAUSE_MS: i64 = 10_000;
/// Samples further apart are a hole: no delay goes on across it, in milliseconds.
const HOLE_MS: i64 = 5_000;
/// Tripping again within this time is the same episode, in milliseconds.
const SAME_EPISODE_MS: i64 = 60_000;
/// Width of a step of the flow table, in ¼ rpm.
const SPEED_STEP_QUARTERS: i32 = 250 * 4;
/// Samples that a step of the flow table needs.
const SAMPLES_FOR_A_NORMAL: u32 = 10;

/// The three comparators.
#[derive(Debug)]
pub(super) struct Baseline {
    limit_mc: i32,
    idle_quarters: i32,
    normal_flow: FlowTable,
    last_ms: Option<i64>,
    flow_low_ms: i64,
    supply_low_ms: i64,
    pause_ms: i64,
    outputs: [Output; 3],
    episodes: Vec<Episode>,
}

/// One comparator: tripped or not, and where its last episode stands.
#[derive(Debug, Clone, Copy)]
struct Output {
    finding: Finding,
    tripped: bool,
    episode: Option<usize>,
}

impl Output {
    const fn new(finding: Finding) -> Self {
        Self { finding, tripped: false, episode: None }
    }
}

const SWITCH: usize = 0;
const FLOW: usize = 1;
const SUPPLY: usize = 2;

impl Baseline {
    /// Comparators set for an engine.
    #[must_use]
    pub(super) fn new(profile: &Profile) -> Self {
        let limit: Temperature = profile.head_limit_or_default();
        Self {
            limit_mc: limit.raw(),
            idle_quarters: profile.idle.raw(),
            normal_flow: FlowTable::default(),
            last_ms: None,
            flow_low_ms: 0,
            supply_low_ms: 0,
            pause_ms: 0,
            outputs: [
                Output::new(Finding::HeadOverLimit),
                Output::new(Finding::StreamLost),
                Output::new(Finding::ChargeLost),
            ],
            episodes: Vec::new(),
        }
    }

    /// A trip begins: nothing has been measured yet, and nothing is tripped.
    pub(super) fn begin_trip(&mut self) {
        self.last_ms = None;
        self.restart_clocks();
    }

    /// A trip ends: what is tripped lets go.
    pub(super) fn end_trip(&mut self, at: Moment) {
        for index in [SWITCH, FLOW, SUPPLY] {
            self.set(index, false, at);
        }
    }

    /// Takes the next sample; the commissioning trip teaches the flow table and nothing else.
    pub(super) fn sample(&mut self, at: Moment, readings: &Readings) {
        let passed_ms = self.last_ms.map_or(0, |last| (at.at_ms - last).max(0));
        self.last_ms = Some(at.at_ms);
        if passed_ms > HOLE_MS {
            self.restart_clocks();
        }
        let passed_ms = if passed_ms > HOLE_MS { 0 } else { passed_ms };
        let good = |channel| {
            let reading = readings.raw(channel);
            (reading.quality == Quality::Good).then_some(reading.raw)
        };
        let Some(speed) = good(Channel::Rpm) else { return };
        if speed <= 0 {
            self.restart_clocks();
            for index in [SWITCH, FLOW, SUPPLY] {
                self.set(index, false, at);
            }
            return;
        }
        if at.trip < 0 {
            if let Some(flow) = good(Channel::Flow) {
                self.normal_flow.learn(speed, flow);
            }
            return;
        }
        self.watch_head(good(Channel::Head), at);
        self.watch_flow(speed, good(Channel::Flow), passed_ms, at);
        self.watch_supply(speed, good(Channel::Supply), passed_ms, at);
    }

    /// What the comparators said, in the order in which they said it.
    #[must_use]
    pub(super) fn finish(self) -> Vec<Episode> {
        self.episodes
    }

    fn restart_clocks(&mut self) {
        self.flow_low_ms = 0;
        self.supply_low_ms = 0;
        self.pause_ms = 0;
    }

    fn watch_head(&mut self, head_mc: Option<i32>, at: Moment) {
        let Some(head_mc) = head_mc else { return };
        if head_mc > self.limit_mc {
            self.set(SWITCH, true, at);
        } else if head_mc < self.limit_mc - SWITCH_HYSTERESIS_MK {
            self.set(SWITCH, false, at);
        }
    }

    fn watch_flow(&mut self, speed: i32, flow: Option<i32>, passed_ms: i64, at: Moment) {
        let Some(flow) = flow else { return };
        // Turning over is no running: no water is expected.
        if speed < self.idle_quarters / 2 {
            return;
        }
        let Some(normal) = self.normal_flow.at(speed) else { return };
        if i64::from(flow) * 2 < normal {
            self.flow_low_ms += passed_ms;
            if self.flow_low_ms >= FLOW_DELAY_MS {
                self.set(FLOW, true, at);
            }
        } else {
            self.flow_low_ms = 0;
            self.set(FLOW, false, at);
        }
    }

    fn watch_supply(&mut self, speed: i32, supply_mv: Option<i32>, passed_ms: i64, at: Moment) {
        let Some(supply_mv) = supply_mv else { return };
        if speed <= CHARGING_SPEED_QUARTERS {
            self.pause_ms += passed_ms;
            if self.pause_ms > PAUSE_MS {
                self.supply_low_ms = 0;
            }
            return;
        }
        self.pause_ms = 0;
        if supply_mv < SUPPLY_LEAST_MV {
            self.supply_low_ms += passed_ms;
            if self.supply_low_ms >= SUPPLY_DELAY_MS {
                self.set(SUPPLY, true, at);
            }
        } else {
            self.supply_low_ms = 0;
            self.set(SUPPLY, false, at);
        }
    }

    fn set(&mut self, index: usize, tripped: bool, at: Moment) {
        let Some(output) = self.outputs.get_mut(index) else { return };
        if output.tripped == tripped {
            return;
        }
        output.tripped = tripped;
        let last = output.episode.and_then(|episode| self.episodes.get_mut(episode));
        match last {
            Some(episode) if !tripped => episode.gone = Some(at),
            Some(episode) if is_same(episode, at) => episode.gone = None,
            _ => {
                output.episode = Some(self.episodes.len());
                let named = Named { finding: output.finding, channel: None };
                let warned = Some(at);
                self.episodes.push(Episode { named, raised: at, run_began: None, warned, gone: None });
            }
        }
    }
}

fn is_same(episode: &Episode, at: Moment) -> bool {
    episode.gone.is_some_and(|gone| gone.trip == at.trip && at.at_ms - gone.at_ms <= SAME_EPISODE_MS)
}

/// Mean flow of the commissioning trip by engine speed.
#[derive(Debug, Default)]
struct FlowTable {
    /// Sum of flows in mL/min and number of samples, for each step of speed.
    steps: Vec<(i64, u32)>,
}

impl FlowTable {
    fn step(speed: i32) -> Option<usize> {
        usize::try_from(speed / SPEED_STEP_QUARTERS).ok()
    }

    fn learn(&mut self, speed: i32, flow: i32) {
        let Some(step) = Self::step(speed) else { return };
        if self.steps.len() <= step {
            self.steps.resize(step + 1, (0, 0));
        }
        if let Some((sum, samples)) = self.steps.get_mut(step) {
            *sum += i64::from(flow);
            *samples += 1;
        }
    }

    /// Normal flow at that speed in mL/min: between two known steps in proportion, beyond them that of the nearest.
    fn at(&self, speed: i32) -> Option<i64> {
        let here = i64::from(speed);
        let known = || {
            let steps = (0_i64..).zip(&self.steps).filter(|(_, (_, samples))| *samples >= SAMPLES_FOR_A_NORMAL);
            steps.map(|(step, (sum, samples))| {
                let middle = step * i64::from(SPEED_STEP_QUARTERS) + i64::from(SPEED_STEP_QUARTERS) / 2;
                (middle, sum / i64::from(*samples))
            })
        };
        let below = known().take_while(|(middle, _)| *middle <= here).last();
        let above = known().find(|(middle, _)| *middle > here);
        match (below, above) {
            (Some((from, low)), Some((to, high))) => Some(low + (high - low) * (here - from) / (to - from)),
            (Some((_, flow)), None) | (None, Some((_, flow))) => Some(flow),
            (None, None) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::units::Rpm;

    use super::*;

    struct Bench {
        baseline: Baseline,
        at: Moment,
    }

    impl Bench {
        /// Commissioned: 1 L/min at 800 rpm, 4 L/min at 3,000 rpm.
        fn new() -> Self {
            let mut profile = Profile::new(4, Rpm::from_whole_rpm(800), Rpm::from_whole_rpm(6_000));
            profile.head_limit = Some(Temperature::from_millicelsius(95_000));
            let mut bench = Self { baseline: Baseline::new(&profile), at: Moment { trip: -1, at_ms: 0 } };
            bench.baseline.begin_trip();
            bench.run(30, 800, 60_000, 1_000, 14_000);
            bench.run(30, 3_000, 60_000, 4_000, 14_000);
            bench.baseline.end_trip(bench.at);
            bench.at = Moment { trip: 0, at_ms: 0 };
            bench.baseline.begin_trip();
            bench
        }

        fn run(&mut self, seconds: i64, rpm: i32, head_mc: i32, flow: i32, supply_mv: i32) {
            for _ in 0..seconds {
                let mut readings = Readings::default();
                let values = [
                    (Channel::Rpm, rpm * 4),
                    (Channel::Head, head_mc),
                    (Channel::Flow, flow),
                    (Channel::Supply, supply_mv),
                ];
                for (channel, raw) in values {
                    readings.set_raw(channel, raw, Quality::Good);
                }
                self.baseline.sample(self.at, &readings);
                self.at = self.at.later(1_000);
            }
        }

        /// `(finding, raised, gone)` in seconds.
        fn said(self) -> Vec<(&'static str, i64, Option<i64>)> {
            let seconds = |moment: Moment| moment.at_ms / 1_000;
            let said = self.baseline.finish();
            said.iter().map(|e| (e.named.finding.name(), seconds(e.raised), e.gone.map(seconds))).collect()
        }
    }

    #[test]
    fn switch_trips_at_the_limit_and_lets_go_20_k_below() {
        let mut bench = Bench::new();
        for (seconds, head_mc) in [(5, 95_000), (5, 95_100), (5, 75_000), (5, 74_900)] {
            bench.run(seconds, 3_000, head_mc, 4_000, 14_000);
        }
        assert_eq!(bench.said(), [("head-over-limit", 5, Some(15))]);
    }

    #[test]
    fn flow_is_compared_with_the_commissioning_at_that_speed() {
        let mut bench = Bench::new();
        bench.run(20, 3_000, 60_000, 2_100, 14_000);
        bench.run(20, 800, 60_000, 600, 14_000);
        bench.run(9, 3_000, 60_000, 1_900, 14_000);
        bench.run(5, 3_000, 60_000, 2_500, 14_000);
        bench.run(12, 3_000, 60_000, 1_900, 14_000);
        bench.run(1, 3_000, 60_000, 4_000, 14_000);
        assert_eq!(
            bench.said(),
            [("stream-lost", 54 + 9, Some(66))],
            "9 s are too short; 10 s elapse at the 11th sample"
        );
    }

    #[test]
    fn supply_counts_time_above_2000_rpm_only() {
        let mut bench = Bench::new();
        bench.run(100, 1_900, 60_000, 3_000, 12_000);
        bench.run(40, 3_000, 60_000, 4_000, 12_500);
        bench.run(10, 1_900, 60_000, 3_000, 12_500);
        bench.run(30, 3_000, 60_000, 4_000, 12_500);
        bench.run(1, 3_000, 60_000, 4_000, 12_600);
        assert_eq!(bench.said(), [("charge-lost", 169, Some(180))]);
    }

    #[test]
    fn a_stopped_engine_clears_and_soon_again_is_the_same() {
        let mut bench = Bench::new();
        bench.run(5, 3_000, 96_000, 4_000, 14_000);
        bench.run(5, 0, 99_000, 0, 12_000);
        bench.run(5, 3_000, 96_000, 4_000, 14_000);
        bench.run(70, 0, 96_000, 0, 12_000);
        bench.run(5, 3_000, 96_000, 4_000, 14_000);
        assert_eq!(bench.said(), [("head-over-limit", 0, Some(15)), ("head-over-limit", 85, None)]);
    }
}
