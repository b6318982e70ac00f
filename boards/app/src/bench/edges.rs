//! Level changes on the two pulse inputs, in the order in which a board's interrupts would see them.

use super::dice::Dice;
use super::story::{Ignition, Water};

/// Pulses of the tachometer in a revolution.
pub(super) const PULSES_PER_REVOLUTION: u32 = 6;
/// Pulses of the flow meter in a litre.
pub(super) const PULSES_PER_LITRE: u32 = 450;

/// A level change, in microseconds since power-up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Edge {
    pub(super) at_us: u32,
    pub(super) high: bool,
}

/// One low and one high with all that disturbs them.
#[derive(Debug, Clone, Copy)]
struct Cycle {
    edges: [Edge; Self::MOST],
    count: usize,
    next: usize,
    end_us: u32,
}

impl Cycle {
    /// Rise and fall, and three spikes of two edges each.
    const MOST: usize = 8;

    const fn new() -> Self {
        Self { edges: [Edge { at_us: 0, high: false }; Self::MOST], count: 0, next: 0, end_us: 0 }
    }

    fn peek(&self) -> Option<Edge> {
        if self.next < self.count { self.edges.get(self.next).copied() } else { None }
    }

    fn restart(&mut self, end_us: u32) {
        *self = Self { count: 0, next: 0, end_us, ..*self };
    }

    fn add(&mut self, at_us: u32, high: bool) {
        if let Some(edge) = self.edges.get_mut(self.count) {
            *edge = Edge { at_us, high };
            self.count += 1;
        }
    }

    /// A short time at the other level.
    fn add_spike(&mut self, at_us: u32, width_us: u32, high: bool) {
        self.add(at_us, high);
        self.add(at_us + width_us, !high);
    }
}

/// The lead of the tachometer: pulses of the alternator, spikes of the ignition.
#[derive(Debug)]
pub(super) struct TachometerLead {
    cycle: Cycle,
    dice: Dice,
    /// Half a period; nothing comes while the engine stands.
    half_us: Option<u32>,
    ignition: Ignition,
    pulses: u32,
}

impl TachometerLead {
    pub(super) const fn new() -> Self {
        Self { cycle: Cycle::new(), dice: Dice::new(0x0bad_cafe), half_us: None, ignition: Ignition::Usual, pulses: 0 }
    }

    /// The engine speed from `now_us` on.
    pub(super) fn set(&mut self, now_us: u32, rpm: u32, ignition: Ignition) {
        /// Slower than this no pulse reaches the threshold of the input.
        const SLOWEST_RPM: u32 = 40;
        let half_us = (60_000_000 / PULSES_PER_REVOLUTION / 2).checked_div(rpm).filter(|_| rpm >= SLOWEST_RPM);
        if self.half_us.is_none() && self.cycle.end_us < now_us {
            self.cycle.restart(now_us);
        }
        self.half_us = half_us;
        self.ignition = ignition;
    }

    /// The next level change.
    pub(super) fn peek(&mut self) -> Option<Edge> {
        if self.cycle.peek().is_none() {
            self.plan(self.half_us?);
        }
        self.cycle.peek()
    }

    pub(super) fn advance(&mut self) {
        self.cycle.next += 1;
    }

    fn plan(&mut self, half_us: u32) {
        let (low_us, high_us) = (self.dice.jitter(half_us), self.dice.jitter(half_us));
        let start_us = self.cycle.end_us;
        let (rise_us, end_us) = (start_us + low_us, start_us + low_us + high_us);
        self.pulses = self.pulses.wrapping_add(1);
        let narrow_us = 20 + self.dice.below(40);
        let leaking = self.ignition == Ignition::Leaking;
        self.cycle.restart(end_us);
        // Four cylinders fire twice in a turn of six pulses.
        if self.pulses.is_multiple_of(97) {
            // Long enough to pass for a pulse.
            self.cycle.add_spike(start_us + low_us / 4, 150, true);
        } else if leaking || self.pulses.is_multiple_of(3) {
            self.cycle.add_spike(start_us + low_us / 4, narrow_us, true);
        }
        if leaking {
            self.cycle.add_spike(start_us + low_us / 2, narrow_us, true);
        }
        self.cycle.add(rise_us, true);
        if leaking {
            self.cycle.add_spike(rise_us + high_us / 3, narrow_us, false);
        }
        self.cycle.add(end_us, false);
    }
}

/// The lead of the flow meter: a contact that bounces as it closes.
#[derive(Debug)]
pub(super) struct FlowLead {
    cycle: Cycle,
    dice: Dice,
    turning: Turning,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Turning {
    Not,
    Steadily { half_us: u32 },
    ToAndFro,
}

impl FlowLead {
    pub(super) const fn new() -> Self {
        Self { cycle: Cycle::new(), dice: Dice::new(0x5eed_f10e), turning: Turning::Not }
    }

    /// The water from `now_us` on.
    pub(super) fn set(&mut self, now_us: u32, water: Water, millilitres_per_minute: u32) {
        /// Microseconds in a minute times millilitres in a litre, for half a period.
        const HALF: u32 = (60_000_000_000_u64 / (2 * PULSES_PER_LITRE as u64)) as u32;
        let before = self.turning;
        self.turning = match (HALF.checked_div(millilitres_per_minute), water) {
            (Some(half_us), _) => Turning::Steadily { half_us },
            (None, Water::Rocking) => Turning::ToAndFro,
            (None, _) => Turning::Not,
        };
        if before == Turning::Not && self.cycle.end_us < now_us {
            self.cycle.restart(now_us);
        }
    }

    /// The next level change.
    pub(super) fn peek(&mut self) -> Option<Edge> {
        if self.cycle.peek().is_none() {
            self.plan()?;
        }
        self.cycle.peek()
    }

    pub(super) fn advance(&mut self) {
        self.cycle.next += 1;
    }

    fn plan(&mut self) -> Option<()> {
        let (low_us, high_us) = match self.turning {
            Turning::Not => return None,
            Turning::Steadily { half_us } => (self.dice.jitter(half_us), self.dice.jitter(half_us)),
            Turning::ToAndFro => self.swing(),
        };
        let rise_us = self.cycle.end_us + low_us;
        let end_us = rise_us + high_us;
        self.cycle.restart(end_us);
        self.cycle.add(rise_us, true);
        self.cycle.add_spike(rise_us + 120, 140, false);
        self.cycle.add(end_us, false);
        Some(())
    }

    /// A few pulses as a wave passes, then a pause.
    fn swing(&mut self) -> (u32, u32) {
        let low_ms = if self.dice.below(3) == 0 { 700 + self.dice.below(1_800) } else { 40 + self.dice.below(260) };
        (low_ms * 1_000, (20 + self.dice.below(130)) * 1_000)
    }
}
