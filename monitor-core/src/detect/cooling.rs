//! Flow and head against this engine's own normal: what the causes of the water and heat families rest on.
//!
//! Every tick tells how far the flow is under its normal and whether the head answers; every block of eight ticks adds
//! to the slow means. One loss of flow has one cause at a time: the first that fits is kept until the flow is back.

use super::Scene;
use super::evidence::Shown;
use super::stream::{Stream, StreamWatch};
use crate::acquire::{Channel, Quality};
use crate::condition::Block;
use crate::event::EvidenceKey;
use crate::finding::Finding;
use crate::num::round_div;
use crate::units::Quantity;

/// Under this share of its normal the flow is low …
const LOW_PERCENT: i32 = 60;
/// … and from this on it is back.
const BACK_PERCENT: i32 = 75;
/// All the water is there from this part under the normal on: 1/8. What the per cents are compared with lies under it.
const ALL_THERE_SHIFT: u32 = 3;
/// Less than this is next to nothing: what is left of it proves no pump.
const NEXT_TO_NOTHING_PERCENT: i32 = 22;
/// Less than this at speed no pump moves that still has vanes (own estimate).
const NOTHING_PERCENT: i32 = 12;
/// The head answers a loss of water once it is so much hotter than when the water went …
const ANSWER_MILLIKELVIN: i32 = 2_500;
/// … and over the most that the last minutes' speeds account for.
const ANSWER_OVER_NORMAL_MILLIKELVIN: i32 = 1_500;
/// A loss that lasted so long, in milliseconds, was one.
const LASTED_MS: u32 = 10_000;
/// Two speeds tell a starved pump from a leaking one if their normal flows are this part apart: 1/6.
const SPEEDS_APART: i32 = 6;

/// What is shown for it.
pub(crate) const SHOWN: &[Shown] = &[
    Shown::Always(EvidenceKey::Value(Channel::Flow)),
    Shown::Always(EvidenceKey::Normal(Channel::Flow)),
    Shown::IfKnown(EvidenceKey::Value(Channel::Head)),
    Shown::IfKnown(EvidenceKey::Normal(Channel::Head)),
    Shown::Always(EvidenceKey::Value(Channel::Rpm)),
];

/// What the flow does when the engine turns faster, since it was lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Follows {
    /// The speed did not change enough to tell.
    Unknown,
    /// It stays: something in front of the pump lets no more through.
    Limited,
    /// It rises in proportion: the pump moves a share of what it did.
    Proportional,
}

/// What is known of the cooling.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cooling {
    /// For how long the flow has been low, in milliseconds; 0 while it is not.
    pub(crate) low_ms: u32,
    /// Head when the flow went, in m°C.
    head_then: Option<i32>,
    /// Least and greatest flow of a block since then, each with the normal flow of its speed, in 4 mL/min.
    slow: (u16, u16),
    fast: (u16, u16),
    /// Flow in the last tick in per cent of its normal; 100 from 7/8 of it on.
    pub(crate) flow_percent: Option<u8>,
    /// Head over the most that is normal, in m°C.
    pub(crate) over: Option<i32>,
    /// The cause that the present loss of flow was given.
    pub(crate) cause: Option<Finding>,
    /// Normal flow at the speed at which the flow went, in mL/min.
    normal_then: i32,
    /// In this run a loss was over as soon as the engine turned slower: the intake lets a little through.
    back_when_slow: bool,
}

impl Cooling {
    pub(crate) const fn new() -> Self {
        Self {
            low_ms: 0,
            head_then: None,
            slow: (0, 0),
            fast: (0, 0),
            flow_percent: None,
            over: None,
            cause: None,
            normal_then: 0,
            back_when_slow: false,
        }
    }

    /// Takes one tick.
    // A function of its own: its fields lie within reach of short offsets.
    #[inline(never)]
    pub(crate) fn update(&mut self, scene: &Scene, stream: &StreamWatch) {
        let tick = &scene.tick;
        if !tick.run.running || tick.after_hole() {
            *self = Self::new();
            return;
        }
        let head = scene.good(Channel::Head);
        self.over = head.zip(scene.expected.head_at_most).map(|(head, most)| head.wrapping_sub(most));
        self.flow_percent = flow_percent(scene, stream);
        let passed_ms = tick.since_last_ms;
        match self.flow_percent {
            Some(percent) if i32::from(percent) < LOW_PERCENT => {
                if self.low_ms == 0 {
                    self.head_then = head;
                    self.normal_then = scene.expected.flow.unwrap_or(0);
                }
                self.low_ms = self.low_ms.saturating_add(passed_ms.max(1));
            }
            Some(percent) if i32::from(percent) >= BACK_PERCENT => {
                let slower = scene
                    .expected
                    .flow
                    .is_some_and(|normal| normal < self.normal_then.wrapping_sub(self.normal_then >> 2_u32));
                self.back_when_slow |= self.low_ms >= LASTED_MS && slower;
                self.low_ms = 0;
                // A flow that stepped down by less is followed by `vane-lost` itself.
                self.cause = self.cause.filter(|cause| *cause == Finding::VaneLost);
                self.slow = (0, 0);
                self.fast = (0, 0);
            }
            Some(_) if self.low_ms > 0 => self.low_ms = self.low_ms.saturating_add(passed_ms),
            _ => {}
        }
    }

    /// Takes one block.
    pub(crate) fn update_block(&mut self, scene: &Scene, block: &Block) {
        let (Some(flow), Some(normal)) = (block.good(Channel::Flow), scene.expected.flow) else { return };
        if self.low_ms < block.lasted_ms || block.steady == 0 {
            return;
        }
        // In steps of 4 mL/min, as the normal is kept.
        let point = |value: i32| u16::try_from(value.max(0) >> 2_u32).unwrap_or(u16::MAX);
        let here = (point(flow), point(normal));
        if self.slow.1 == 0 || here.1 < self.slow.1 {
            self.slow = here;
        }
        if here.1 > self.fast.1 {
            self.fast = here;
        }
    }

    /// Whether the flow is low and next to nothing is left of it.
    pub(crate) fn is_next_to_nothing(&self) -> bool {
        self.low_ms > 0 && self.flow_percent.is_some_and(|percent| i32::from(percent) < NEXT_TO_NOTHING_PERCENT)
    }

    /// Whether nothing is left of the flow at a speed at which a pump with a few vanes would still move some.
    pub(crate) fn is_nothing_at_speed(&self, scene: &Scene) -> bool {
        let at_speed = scene.good(Channel::Rpm).is_some_and(|rpm| rpm >= scene.profile.rated_or_max().raw() >> 1_u32);
        at_speed && self.low_ms > 0 && self.flow_percent.is_some_and(|percent| i32::from(percent) < NOTHING_PERCENT)
    }

    /// Whether the head shows that it lacks the water; `None` without a head sensor.
    pub(crate) fn head_answers(&self, scene: &Scene) -> Option<bool> {
        let head = scene.good(Channel::Head)?;
        let hotter = head.wrapping_sub(self.head_then?);
        Some(match self.over {
            Some(over) => hotter >= ANSWER_MILLIKELVIN && over >= ANSWER_OVER_NORMAL_MILLIKELVIN,
            None => hotter >= ANSWER_MILLIKELVIN.wrapping_mul(2),
        })
    }

    /// Kelvin by which the head is hotter than when the flow went, in m°C.
    pub(crate) fn hotter(&self, scene: &Scene) -> Option<i32> {
        Some(scene.good(Channel::Head)?.wrapping_sub(self.head_then?))
    }

    /// How the flow followed the speed since it was lost.
    pub(crate) fn follows(&self) -> Follows {
        if self.back_when_slow {
            return Follows::Limited;
        }
        let [(slow, slow_normal), (fast, fast_normal)] =
            [self.slow, self.fast].map(|(flow, normal)| (i32::from(flow), i32::from(normal)));
        let apart = fast_normal.wrapping_sub(slow_normal);
        if slow_normal == 0 || apart.wrapping_mul(SPEEDS_APART) < slow_normal {
            return Follows::Unknown;
        }
        if slow == 0 {
            // Nothing at idle and something at speed is a pump that leaks.
            return if fast.wrapping_mul(10) >= fast_normal { Follows::Proportional } else { Follows::Unknown };
        }
        // In proportion the flow rises by apart / slow_normal of itself; half of that is the border.
        let risen = fast.wrapping_sub(slow);
        let border = round_div(slow.wrapping_mul(apart), slow_normal.wrapping_mul(2));
        if risen >= border { Follows::Proportional } else { Follows::Limited }
    }
}

/// Flow in per cent of its normal, where both are known.
fn flow_percent(scene: &Scene, stream: &StreamWatch) -> Option<u8> {
    // Water on its way to the telltale is no loss.
    if !stream.seen_this_run {
        return None;
    }
    let normal = scene.expected.flow.filter(|normal| *normal > 0)?;
    let flow = match scene.good(Channel::Flow) {
        Some(flow) => flow,
        // A meter that shows less than it can: nothing, where the normal is readable.
        None if scene.tick.quality(Channel::Flow) == Quality::BelowRange => 0,
        None => return None,
    };
    // A meter near its least flow cannot tell low from none.
    let least = scene.profile.flow_min_or_default().raw();
    if normal < least.wrapping_add(least >> 2_u32) || stream.now == Stream::Unjudged {
        return None;
    }
    // Nothing asks how much it is from here on: the common case needs no division.
    if flow >= normal.wrapping_sub(normal >> ALL_THERE_SHIFT) {
        return Some(100);
    }
    let percent = round_div(flow.clamp(0, 1 << 20_u32).wrapping_mul(100), normal);
    Some(u8::try_from(percent).unwrap_or(u8::MAX))
}
