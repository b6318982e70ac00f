//! Events that wait to be drained.

use core::mem::swap;

use super::alarms::Happening;
use crate::acquire::Channel;
use crate::event::Event;
use crate::finding::{Finding, Level};

/// Events that can wait.
const CAPACITY: usize = 10;

/// Where an event stands among those of its tick: worse levels first, then by name, then by channel; what a cause
/// replaced comes right behind the cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    level: core::cmp::Reverse<Level>,
    finding: Finding,
    channel: Option<Channel>,
    replaced: Option<Finding>,
}

impl Place {
    /// The place of what happened by itself.
    pub(crate) const fn of(happening: &Happening) -> Self {
        Self {
            level: core::cmp::Reverse(happening.level),
            finding: happening.finding,
            channel: happening.channel,
            replaced: None,
        }
    }

    /// The place of a condition that was replaced by `cause`.
    pub(crate) const fn behind(cause: &Happening, replaced: Finding) -> Self {
        let mut place = Self::of(cause);
        place.replaced = Some(replaced);
        place
    }
}

#[derive(Debug, Clone, Copy)]
struct Waiting {
    place: Place,
    event: Event,
}

/// A queue in the order in which events are shown.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EventQueue {
    waiting: [Option<Waiting>; CAPACITY],
    len: usize,
    /// Where the events of the present tick begin: only those are sorted.
    tick_begins: usize,
    lost: u32,
}

impl EventQueue {
    pub(crate) const fn new() -> Self {
        Self { waiting: [None; CAPACITY], len: 0, tick_begins: 0, lost: 0 }
    }

    /// Later events stay behind those that wait now.
    pub(crate) fn begin_tick(&mut self) {
        self.tick_begins = self.len;
    }

    /// Adds an event of the present tick at its place.
    pub(crate) fn add_sorted(&mut self, event: Event, place: Place) {
        self.make_room(event.level);
        let later = |waiting: &Option<Waiting>| waiting.as_ref().is_some_and(|waiting| place < waiting.place);
        let of_this_tick = self.waiting.iter().take(self.len).skip(self.tick_begins);
        let at =
            of_this_tick.clone().position(later).map_or(self.len, |offset| self.tick_begins.saturating_add(offset));
        self.insert(at, Waiting { place, event });
    }

    /// Adds an event behind all others.
    pub(crate) fn add_last(&mut self, event: Event, place: Place) {
        self.make_room(event.level);
        self.insert(self.len, Waiting { place, event });
        self.begin_tick();
    }

    /// A full queue keeps the worst levels: the newest of the lowest goes, if it is lower than `level`.
    fn make_room(&mut self, level: Level) {
        if self.len < CAPACITY {
            return;
        }
        let level_at = |waiting: &Option<Waiting>| waiting.as_ref().map(|waiting| waiting.event.level);
        let lowest = self.waiting.iter().filter_map(level_at).min();
        if lowest.is_some_and(|lowest| lowest < level)
            && let Some(index) = self.waiting.iter().rposition(|waiting| level_at(waiting) == lowest)
        {
            self.lost = self.lost.saturating_add(1);
            self.remove(index);
        }
    }

    fn insert(&mut self, at: usize, waiting: Waiting) {
        if self.len >= CAPACITY {
            self.lost = self.lost.saturating_add(1);
            return;
        }
        self.len = self.len.saturating_add(1);
        let mut moving = Some(waiting);
        for slot in self.waiting.iter_mut().take(self.len).skip(at) {
            swap(slot, &mut moving);
        }
    }

    fn remove(&mut self, index: usize) -> Option<Event> {
        if index >= self.len {
            return None;
        }
        let mut moving = None;
        for slot in self.waiting.iter_mut().take(self.len).skip(index).rev() {
            swap(slot, &mut moving);
        }
        self.len = self.len.saturating_sub(1);
        if index < self.tick_begins {
            self.tick_begins = self.tick_begins.saturating_sub(1);
        }
        moving.map(|waiting| waiting.event)
    }

    /// The oldest event.
    pub(crate) fn pop(&mut self) -> Option<Event> {
        self.remove(0)
    }

    /// Events that found no room.
    pub(crate) const fn lost(&self) -> u32 {
        self.lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::{AlarmState, Evidence, State};
    use crate::time::Instant;

    extern crate std;
    use std::vec::Vec;

    fn happening(id: u32, finding: Finding, level: Level, state: State) -> Happening {
        Happening { id, finding, channel: None, level, state, alarm_state: AlarmState::Normal, replaced_by: None }
    }

    fn event(happening: &Happening) -> Event {
        Event {
            trip: 0,
            stamp: Instant::from_millis(0),
            id: happening.id,
            finding: happening.finding,
            channel: happening.channel,
            level: happening.level,
            state: happening.state,
            alarm_state: happening.alarm_state,
            evidence: Evidence::NONE,
            candidates: [None; 3],
            replaced_by: happening.replaced_by,
        }
    }

    fn drain(queue: &mut EventQueue) -> Vec<u32> {
        core::iter::from_fn(|| queue.pop()).map(|event| event.id).collect()
    }

    #[test]
    fn events_of_a_tick_are_sorted_and_the_replaced_follows_its_cause() {
        let mut queue = EventQueue::new();
        let earlier = happening(1, Finding::WeakConnection, Level::Caution, State::Raised);
        queue.add_sorted(event(&earlier), Place::of(&earlier));
        queue.begin_tick();
        let climbing = happening(2, Finding::HeadClimbing, Level::Warning, State::Replaced);
        let over = happening(3, Finding::HeadOverLimit, Level::Alarm, State::Raised);
        let dry = happening(4, Finding::DryStart, Level::Warning, State::Raised);
        let stream = happening(5, Finding::StreamLost, Level::Alarm, State::Cleared);
        queue.add_sorted(event(&stream), Place::of(&stream));
        queue.add_sorted(event(&dry), Place::of(&dry));
        queue.add_sorted(event(&climbing), Place::behind(&dry, climbing.finding));
        queue.add_sorted(event(&over), Place::of(&over));
        let acknowledged = happening(6, Finding::DryStart, Level::Alarm, State::Acknowledged);
        queue.add_last(event(&acknowledged), Place::of(&acknowledged));
        assert_eq!(drain(&mut queue), [1, 3, 5, 4, 2, 6]);
    }

    #[test]
    fn a_full_queue_keeps_the_worst_and_counts_the_rest() {
        let mut queue = EventQueue::new();
        for id in 1..=10 {
            let level = if id % 2 == 0 { Level::Warning } else { Level::Caution };
            let full = happening(id, Finding::OverSpeed, level, State::Raised);
            queue.add_last(event(&full), Place::of(&full));
        }
        let alarm = happening(13, Finding::HeadOverLimit, Level::Alarm, State::Raised);
        queue.add_last(event(&alarm), Place::of(&alarm));
        let caution = happening(14, Finding::SensorOpen, Level::Caution, State::Raised);
        queue.add_last(event(&caution), Place::of(&caution));
        assert_eq!(drain(&mut queue), [1, 2, 3, 4, 5, 6, 7, 8, 10, 13]);
        assert_eq!(queue.lost(), 2);
    }
}
