//! Events that wait to be drained.

use core::cmp::Reverse;
use core::mem::swap;

use super::alarms::Happening;
use super::subject::Subject;
use crate::acquire::Channel;
use crate::event::{AlarmState, Candidate, Event, Evidence, State};
use crate::finding::{Finding, Level};
use crate::time::Instant;

/// Events that can wait.
const CAPACITY: u8 = 10;

/// Where an event stands among those of its tick: worse levels first, then by name, then by channel; what a cause
/// replaced never comes before the cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    lead: Lead,
    replaced: Option<Finding>,
}

/// What leads: what happened by itself, or the cause of what was replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Lead {
    level: Reverse<Level>,
    finding: Finding,
    channel: Option<Channel>,
}

impl Place {
    /// The place of what happened by itself.
    pub(crate) const fn of(happening: &Happening) -> Self {
        let Happening { level, finding, channel, .. } = *happening;
        Self { lead: Lead { level: Reverse(level), finding, channel }, replaced: None }
    }

    /// The place of a condition that was replaced by `cause`: its own, where that is behind the cause, else right behind
    /// it.
    pub(crate) fn behind(cause: &Happening, replaced: &Happening) -> Self {
        let lead = Self::of(cause).lead.max(Self::of(replaced).lead);
        Self { lead, replaced: Some(replaced.finding) }
    }
}

/// An event that waits, in the least room: its stamp in two halves, because a whole one asks for places at multiples of
/// eight; of its place only what the event does not say.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    stamp: [u32; 2],
    id: u32,
    /// 0 for none: ids begin at 1.
    replaced_by: u32,
    evidence: Evidence,
    trip: i16,
    finding: Finding,
    subject: Subject,
    level: Level,
    state: State,
    alarm_state: AlarmState,
    candidates: [Option<Candidate>; 3],
    /// The cause that this event stands behind.
    cause: Option<Lead>,
}

// Every byte is there as often as events can wait.
const _: () = assert!(size_of::<Option<Waiting>>() == 64);

impl Waiting {
    fn new(event: &Event, place: Place) -> Self {
        let stamp_ms = event.stamp.as_millis();
        Self {
            stamp: [event.stamp.low_millis(), Instant::from_millis(stamp_ms >> 32_u32).low_millis()],
            id: event.id,
            replaced_by: event.replaced_by.unwrap_or(0),
            evidence: event.evidence,
            trip: event.trip,
            finding: event.finding,
            subject: event.item.map_or(Subject::of_channel(event.channel), Subject::of_item),
            level: event.level,
            state: event.state,
            alarm_state: event.alarm_state,
            candidates: event.candidates,
            cause: place.replaced.map(|_| place.lead),
        }
    }

    fn place(&self) -> Place {
        let own = Lead { level: Reverse(self.level), finding: self.finding, channel: self.subject.channel() };
        Place { lead: self.cause.unwrap_or(own), replaced: self.cause.map(|_| self.finding) }
    }

    fn event(&self) -> Event {
        let [low, high] = self.stamp;
        Event {
            trip: self.trip,
            stamp: Instant::from_millis((i64::from(high) << 32_u32) | i64::from(low)),
            id: self.id,
            finding: self.finding,
            channel: self.subject.channel(),
            item: self.subject.item(),
            level: self.level,
            state: self.state,
            alarm_state: self.alarm_state,
            evidence: self.evidence,
            candidates: self.candidates,
            replaced_by: (self.replaced_by != 0).then_some(self.replaced_by),
        }
    }
}

/// A queue in the order in which events are shown. An event stays where it was put; what is sorted is the list of places.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EventQueue {
    waiting: [Option<Waiting>; CAPACITY as usize],
    /// Positions in `waiting`, the oldest first.
    order: [u8; CAPACITY as usize],
    len: u8,
    /// Where the events of the present tick begin: only those are sorted.
    tick_begins: u8,
    lost: u32,
}

impl EventQueue {
    pub(crate) const fn new() -> Self {
        Self { waiting: [None; CAPACITY as usize], order: [0; CAPACITY as usize], len: 0, tick_begins: 0, lost: 0 }
    }

    /// Later events stay behind those that wait now.
    pub(crate) fn begin_tick(&mut self) {
        self.tick_begins = self.len;
    }

    /// Adds an event of the present tick at its place.
    pub(crate) fn add_sorted(&mut self, event: &Event, place: Place) {
        self.make_room(event.level);
        let mut at = self.tick_begins;
        while at < self.len && self.waiting_at(at).is_some_and(|waiting| waiting.place() <= place) {
            at = at.saturating_add(1);
        }
        self.insert(at, event, place);
    }

    /// Adds an event behind all others.
    pub(crate) fn add_last(&mut self, event: &Event, place: Place) {
        self.make_room(event.level);
        self.insert(self.len, event, place);
        self.begin_tick();
    }

    /// The event that has `at` events before it.
    fn waiting_at(&self, at: u8) -> Option<&Waiting> {
        self.waiting.get(usize::from(*self.order.get(usize::from(at))?))?.as_ref()
    }

    /// A full queue keeps the worst levels: the newest of the lowest goes, if it is lower than `level`.
    fn make_room(&mut self, level: Level) {
        if self.len < CAPACITY {
            return;
        }
        let newest_of_lowest =
            (0..CAPACITY).filter_map(|at| self.waiting_at(at).map(|waiting| (waiting.level, Reverse(at)))).min();
        if let Some((lowest, Reverse(at))) = newest_of_lowest
            && lowest < level
        {
            self.lost = self.lost.saturating_add(1);
            self.remove(at);
        }
    }

    // Once, not at each call.
    #[inline(never)]
    fn insert(&mut self, at: u8, event: &Event, place: Place) {
        let free = self.waiting.iter_mut().zip(0_u8..).find(|(slot, _)| slot.is_none());
        let Some((slot, mut position)) = free else {
            self.lost = self.lost.saturating_add(1);
            return;
        };
        *slot = Some(Waiting::new(event, place));
        self.len = self.len.saturating_add(1);
        for later in self.order.iter_mut().take(usize::from(self.len)).skip(usize::from(at)) {
            swap(later, &mut position);
        }
    }

    fn remove(&mut self, at: u8) -> Option<Event> {
        if at >= self.len {
            return None;
        }
        let mut position = 0;
        for later in self.order.iter_mut().take(usize::from(self.len)).skip(usize::from(at)).rev() {
            swap(later, &mut position);
        }
        self.len = self.len.saturating_sub(1);
        if at < self.tick_begins {
            self.tick_begins = self.tick_begins.saturating_sub(1);
        }
        self.waiting.get_mut(usize::from(position))?.take().map(|waiting| waiting.event())
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
    use crate::event::EvidenceKey;

    extern crate std;
    use std::vec::Vec;

    fn happening(id: u32, finding: Finding, level: Level, state: State) -> Happening {
        Happening {
            id,
            finding,
            channel: None,
            item: None,
            level,
            state,
            alarm_state: AlarmState::Normal,
            replaced_by: None,
        }
    }

    fn event(happening: &Happening) -> Event {
        Event {
            trip: 0,
            stamp: Instant::from_millis(0),
            id: happening.id,
            finding: happening.finding,
            channel: happening.channel,
            item: None,
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
        queue.add_sorted(&event(&earlier), Place::of(&earlier));
        queue.begin_tick();
        let climbing = happening(2, Finding::HeadClimbing, Level::Warning, State::Replaced);
        let over = happening(3, Finding::HeadOverLimit, Level::Alarm, State::Raised);
        let dry = happening(4, Finding::DryStart, Level::Warning, State::Raised);
        let stream = happening(5, Finding::StreamLost, Level::Alarm, State::Cleared);
        queue.add_sorted(&event(&stream), Place::of(&stream));
        queue.add_sorted(&event(&dry), Place::of(&dry));
        queue.add_sorted(&event(&climbing), Place::behind(&dry, &climbing));
        queue.add_sorted(&event(&over), Place::of(&over));
        let acknowledged = happening(6, Finding::DryStart, Level::Alarm, State::Acknowledged);
        queue.add_last(&event(&acknowledged), Place::of(&acknowledged));
        assert_eq!(drain(&mut queue), [1, 3, 5, 4, 2, 6]);
    }

    #[test]
    fn what_comes_out_is_what_went_in() {
        let mut raised = happening(7, Finding::SensorOpen, Level::Warning, State::Raised);
        raised.channel = Some(Channel::Oil);
        let mut replaced = happening(u32::MAX, Finding::StreamLost, Level::Alarm, State::Replaced);
        replaced.replaced_by = Some(7);
        let stamps = [0, -1, 4_294_967_296, -4_294_967_297, 1_795_598_400_123, i64::MAX, i64::MIN];
        for stamp_ms in stamps {
            for happening in [raised, replaced] {
                let mut sent = event(&happening);
                sent.trip = -1;
                sent.stamp = Instant::from_millis(stamp_ms);
                sent.evidence = sent.evidence.with(EvidenceKey::Eta, Some(-9)).with(EvidenceKey::EtaHigh, None);
                sent.candidates[1] = Some(Candidate { finding: Finding::WeakConnection, share_pct: 42 });
                let mut queue = EventQueue::new();
                queue.add_sorted(&sent, Place::behind(&raised, &happening));
                assert_eq!(queue.pop(), Some(sent), "{stamp_ms}");
            }
        }
    }

    #[test]
    fn a_full_queue_keeps_the_worst_and_counts_the_rest() {
        let mut queue = EventQueue::new();
        for id in 1..=10 {
            let level = if id % 2 == 0 { Level::Warning } else { Level::Caution };
            let full = happening(id, Finding::OverSpeed, level, State::Raised);
            queue.add_last(&event(&full), Place::of(&full));
        }
        let alarm = happening(13, Finding::HeadOverLimit, Level::Alarm, State::Raised);
        queue.add_last(&event(&alarm), Place::of(&alarm));
        let caution = happening(14, Finding::SensorOpen, Level::Caution, State::Raised);
        queue.add_last(&event(&caution), Place::of(&caution));
        assert_eq!(drain(&mut queue), [1, 2, 3, 4, 5, 6, 7, 8, 10, 13]);
        assert_eq!(queue.lost(), 2);
    }
}
