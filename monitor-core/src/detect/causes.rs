//! The detectors that rest on this engine's own normal, with what they share.
//!
//! Blocks are taken in over the six ticks after they closed, one kind of work a tick: no step has to do all of it.

use super::cooling::Cooling;
use super::sensor_noisy::SensorNoisy;
use super::stream::StreamWatch;
use super::{
    HubSlipping, RunningUnsteady, Scene, SensorDrift, SensorMiscount, Standing, ThermostatStuckClosed,
    ThermostatStuckOpen, VaneLost, WeakConnection, impeller_worn, intake_blocked, telltale_plugged, waterway_fouled,
};
use crate::acquire::Channel;
use crate::assess::{HeadSpan, Norm};
use crate::condition::{Block, RunState};
use crate::event::Evidence;
use crate::finding::{Finding, FindingSet};
use crate::ledger::Hours;
use crate::num::round_div;
use crate::units::Quantity;

/// Blocks at one speed after which the head belongs to it.
const HEAD_SETTLED_BLOCKS: u8 = 6;

/// A thermostat that has just opened still moves: ratios to the normal count after this, in milliseconds.
const WARM_FOR_MS: u32 = 60_000;

/// Heads within this of each other are alike, in m°C: at low speeds, where the thermostat holds the head …
const SAME_HEAD_UNDER_MILLIKELVIN: i32 = 3_000;
const SAME_HEAD_OVER_MILLIKELVIN: i32 = 2_500;
/// … and at speed.
const SAME_HEAD_AT_SPEED_MILLIKELVIN: i32 = 4_000;
/// Low speeds end at 3/8 of rated speed.
const LOW_SPEED_EIGHTHS: i32 = 3;
/// A flow under this, in 1/1,024 of its normal, is lost whatever the thermostat does: 55 %.
const COLLAPSED: i32 = 563;

/// All of them.
#[derive(Debug)]
pub(crate) struct Causes {
    cooling: Cooling,
    /// The engine ran in the tick before.
    ran: bool,
    /// The idle flow was in order in this run.
    idle_was_well: bool,
    /// Running time, in tenths of an hour, as of the last block.
    tenths: u16,
    vane_lost: VaneLost,
    thermostat_stuck_closed: ThermostatStuckClosed,
    thermostat_stuck_open: ThermostatStuckOpen,
    hub_slipping: HubSlipping,
    running_unsteady: RunningUnsteady,
    weak_connection: WeakConnection,
    sensor_noisy: SensorNoisy,
    sensor_miscount: SensorMiscount,
    sensor_drift: SensorDrift,
}

impl Causes {
    /// The findings judged here, in the order in which one loss of flow is offered to them.
    pub(crate) const JUDGED: [Finding; 10] = [
        Finding::IntakeBlocked,
        Finding::VaneLost,
        Finding::TelltalePlugged,
        Finding::ThermostatStuckClosed,
        Finding::ThermostatStuckOpen,
        Finding::ImpellerWorn,
        Finding::WaterwayFouled,
        Finding::HubSlipping,
        Finding::RunningUnsteady,
        Finding::WeakConnection,
    ];
    pub(crate) const JUDGED_SET: FindingSet = FindingSet::of(&Self::JUDGED);

    /// The findings about sensors judged here, each with the channels it can be about.
    pub(crate) const OF_SENSORS: [(Finding, &[Channel]); 3] = [
        (Finding::SensorNoisy, &Channel::ALL),
        (Finding::SensorMiscount, &SensorMiscount::CHANNELS),
        (Finding::SensorDrift, &SensorDrift::CHANNELS),
    ];
    pub(crate) const OF_SENSORS_SET: FindingSet =
        FindingSet::of(&[Finding::SensorNoisy, Finding::SensorMiscount, Finding::SensorDrift]);

    pub(crate) const fn new() -> Self {
        Self {
            cooling: Cooling::new(),
            ran: false,
            idle_was_well: false,
            tenths: 0,
            vane_lost: VaneLost::new(),
            thermostat_stuck_closed: ThermostatStuckClosed::new(),
            thermostat_stuck_open: ThermostatStuckOpen::new(),
            hub_slipping: HubSlipping::new(),
            running_unsteady: RunningUnsteady::new(),
            weak_connection: WeakConnection::new(),
            sensor_noisy: SensorNoisy::new(),
            sensor_miscount: SensorMiscount::new(),
            sensor_drift: SensorDrift::new(),
        }
    }

    /// Takes one tick. `sound`: nothing is suspected, so that what is seen is this engine's normal.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, scene: &mut Scene, stream: &StreamWatch, sound: bool) {
        self.cooling.update(scene, stream);
        if scene.tick.run.running {
            self.ran = true;
        } else if self.ran {
            self.stop();
        }
        if let Some(lowest) = self.weak_connection.update(scene)
            && sound
        {
            scene.normal.learn_cranking(lowest);
        }
        if let Some((channel, mean)) = self.sensor_noisy.update(scene)
            && sound
        {
            scene.normal.learn_noise(channel, mean);
        }
    }

    /// The engine stopped: what was followed through its run is over.
    fn stop(&mut self) {
        self.ran = false;
        self.idle_was_well = false;
        self.vane_lost.restart();
        self.thermostat_stuck_closed = ThermostatStuckClosed::new();
        self.thermostat_stuck_open = ThermostatStuckOpen::new();
        self.hub_slipping = HubSlipping::new();
        self.running_unsteady.stop();
    }

    /// Takes one block, `ticks` after it closed.
    pub(crate) fn update_block(&mut self, scene: &mut Scene, block: &Block, ticks: u8, sound: bool, hours: &Hours) {
        match ticks {
            0 if sound && !self.suspects() => scene.normal.learn_block(block, &scene.expected),
            0 => self.cooling.update_block(scene, block),
            1 => {
                // Of 256 ms there are 1,406 in a tenth of an hour.
                let quarters = u32::try_from(hours.running_ms() >> 8_u32).unwrap_or(u32::MAX);
                self.tenths = u16::try_from(quarters / 1_406).unwrap_or(u16::MAX);
                let ratio = flow_ratio(scene, block);
                if is_warm(scene) && scene.tick.run.state == RunState::Running {
                    let alike = nothing_speaks_against_head(scene, block);
                    self.vane_lost.update_block(
                        block,
                        ratio.filter(|ratio| alike || *ratio < COLLAPSED),
                        self.cooling.low_ms > 0,
                    );
                } else {
                    self.vane_lost.restart();
                }
                self.follow_wear(scene, block, ratio);
            }
            2 => {
                self.thermostat_stuck_closed.update_block(scene, &self.cooling, block);
                let span = head_span(scene, block);
                self.thermostat_stuck_open.update_block(scene, block, span);
            }
            3 => self.hub_slipping.update_block(scene, block),
            4 => self.running_unsteady.update_block(scene, block),
            // A hose presses water through, whatever the pump does.
            5 if scene.tick.run.state == RunState::Running => {
                self.sensor_miscount.update_block(scene, block);
                self.sensor_drift.update_block(scene, block, nothing_speaks_against_head(scene, block));
            }
            _ => {}
        }
    }

    /// Whether the stream is missing at a plugged telltale only.
    pub(crate) fn telltale_is_plugged(&self) -> bool {
        self.cooling.cause == Some(Finding::TelltalePlugged)
    }

    /// Whether something speaks against what is seen before any finding stands.
    fn suspects(&self) -> bool {
        self.cooling.low_ms > 0 || self.sensor_miscount.rpm_is_doubted()
    }

    fn follow_wear(&mut self, scene: &mut Scene, block: &Block, ratio: Option<i32>) {
        if scene.tick.run.state != RunState::Running || self.cooling.cause.is_some() || !is_warm(scene) {
            return;
        }
        let (Some(rpm), Some(head)) = (block.good(Channel::Rpm), block.good(Channel::Head)) else { return };
        let at_idle = scene.normal.at_idle(rpm);
        if let Some(ratio) = ratio.filter(|_| block.steady >= 2 && has_same_head(scene, rpm, head)) {
            // An idle flow that was in order in this run and is not any more did not wear away.
            let lost = self.cooling.low_ms > 0;
            self.idle_was_well |= at_idle && !lost;
            if !lost || (at_idle && !self.idle_was_well) {
                scene.normal.wear.flow(at_idle, ratio, self.tenths);
            }
        }
        // Without a thermostat the head goes with the water: without its temperature nothing can be said.
        let water_known = scene.profile.thermostat_opens.is_some() || block.good(Channel::Water).is_some();
        if at_idle || self.thermostat_stuck_closed.stood || self.cooling.low_ms > 0 || !water_known {
            return;
        }
        // Kelvin over or under what is normal in this water; 0 within.
        let off = head_span(scene, block).map(|span| head.wrapping_sub(head.max(span.low).min(span.high)));
        if let Some(off) = off.filter(|_| block.steady >= HEAD_SETTLED_BLOCKS) {
            scene.normal.wear.head(off);
        }
    }

    /// The cause that the present loss of flow was given.
    pub(crate) const fn elected(&self) -> Option<Finding> {
        self.cooling.cause
    }

    /// Whether one loss of flow is looking for its cause: then the causes are judged in every tick.
    pub(crate) fn is_pressing(&self) -> bool {
        self.cooling.low_ms > 0
    }

    /// Whether any sensor is suspected.
    pub(crate) fn suspects_sensors(&self) -> bool {
        self.sensor_noisy.any() || self.sensor_miscount.any() || self.sensor_drift.any()
    }

    /// Where one finding stands.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn judge(&mut self, finding: Finding, scene: &Scene) -> Standing {
        match finding {
            Finding::IntakeBlocked => intake_blocked::judge(scene, &mut self.cooling),
            Finding::VaneLost => self.vane_lost.judge(scene, &mut self.cooling),
            Finding::TelltalePlugged => telltale_plugged::judge(scene, &mut self.cooling),
            Finding::ThermostatStuckClosed => self.thermostat_stuck_closed.judge(),
            Finding::ThermostatStuckOpen => self.thermostat_stuck_open.judge(),
            Finding::ImpellerWorn => impeller_worn::judge(scene, &self.cooling, i32::from(self.tenths)),
            Finding::WaterwayFouled => {
                waterway_fouled::judge(scene, &self.cooling, self.thermostat_stuck_closed.stands)
            }
            Finding::HubSlipping => self.hub_slipping.judge(scene),
            Finding::RunningUnsteady => self.running_unsteady.judge(),
            Finding::WeakConnection => self.weak_connection.judge(scene),
            _ => Standing::Unjudged,
        }
    }

    /// Where a finding about the sensor of a channel stands, for the pairs of [`Self::OF_SENSORS`].
    pub(crate) fn judge_sensor(&self, finding: Finding, channel: Channel, scene: &Scene) -> Standing {
        match finding {
            Finding::SensorNoisy => self.sensor_noisy.judge(scene, channel),
            Finding::SensorMiscount => self.sensor_miscount.judge(scene, channel),
            Finding::SensorDrift => self.sensor_drift.judge(scene, channel),
            _ => Standing::Unjudged,
        }
    }

    /// Adds the forecast of the impeller's renewal to what is shown.
    pub(crate) fn add_forecast(&self, scene: &Scene, evidence: &mut Evidence) {
        impeller_worn::add_forecast(scene, i32::from(self.tenths), evidence);
    }
}

/// The wider a thermostat stands open, the less is left for the telltale: flows are compared at the same head only.
fn has_same_head(scene: &Scene, quarters: i32, head: i32) -> bool {
    if scene.profile.thermostat_opens.is_none() {
        return true;
    }
    let Some(normal) = scene.normal.learned.at(quarters >> 2_u32, Norm::Head) else { return false };
    let over = head.wrapping_sub(normal);
    let low = scene.profile.rated_or_max().raw().wrapping_mul(LOW_SPEED_EIGHTHS) >> 3_u32;
    if quarters < low {
        (-SAME_HEAD_UNDER_MILLIKELVIN..=SAME_HEAD_OVER_MILLIKELVIN).contains(&over)
    } else {
        over.wrapping_abs() <= SAME_HEAD_AT_SPEED_MILLIKELVIN
    }
}

/// The same for a block; where speed or head is missing nothing speaks against it.
fn nothing_speaks_against_head(scene: &Scene, block: &Block) -> bool {
    let both = block.good(Channel::Rpm).zip(block.good(Channel::Head));
    both.is_none_or(|(rpm, head)| has_same_head(scene, rpm, head))
}

/// A thermostat that has just opened still moves.
fn is_warm(scene: &Scene) -> bool {
    // After a hot restart the water has to find its way again.
    scene.expected.warm_ms >= WARM_FOR_MS && scene.tick.run.since_start_ms >= WARM_FOR_MS
}

/// Flow of a block against its normal, in 1/1,024.
fn flow_ratio(scene: &Scene, block: &Block) -> Option<i32> {
    let rpm = block.good(Channel::Rpm)? >> 2_u32;
    let flow = block.good(Channel::Flow)?;
    let norm = if scene.expected.thermostat_open { Norm::FlowOpen } else { Norm::FlowShut };
    let normal = scene.normal.learned.seen(rpm, norm).filter(|normal| *normal > 0)?;
    // A meter near its least flow cannot tell little from nothing.
    let least = scene.profile.flow_min_or_default().raw();
    (normal >= least.wrapping_add(least >> 2_u32))
        .then(|| round_div(flow.clamp(0, 1 << 20_u32).wrapping_mul(1_024), normal))
}

/// Settled head at the speed of a block, in this water, where that speed was seen.
fn head_span(scene: &Scene, block: &Block) -> Option<HeadSpan> {
    let rpm = block.good(Channel::Rpm)? >> 2_u32;
    let head = scene.normal.learned.seen(rpm, Norm::Head)?;
    Some(HeadSpan::around(head, rpm, block.good(Channel::Water), &scene.normal))
}
