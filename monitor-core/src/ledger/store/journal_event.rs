//! An event as the journal keeps it, and its bytes in the two entries that carry it.

use crate::acquire::Channel;
use crate::event::{AlarmState, Candidate, Event, EvidenceItem, EvidenceKey, State};
use crate::finding::{Family, Finding, Level};
use crate::ledger::Item;
use crate::time::Instant;

use super::bytes::{number16, number32};
use super::codes::{
    alarm_state_code, alarm_state_of, channel_code, channel_of, finding_code, finding_of, item_code, item_of, key_code,
    key_of, level_code, level_of, state_code, state_of,
};

/// Greatest id that an entry can hold.
const MOST_ID: u32 = 0xF_FFFF;
/// Stands for a number that is not known; no measurement comes near it.
const UNKNOWN: i32 = i32::MIN;

/// One thing that happened, as far as the journal keeps it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct JournalEvent {
    /// Power-up to power-down, −1 to 254; later trips are kept as 254.
    pub trip: i16,
    /// Stamp on the caller's clock, exact to the millisecond within ±4,000 years.
    pub stamp: Instant,
    /// Ties later events to the `raised` they belong to; ids over 1,048,575 are kept as that.
    pub id: u32,
    /// What it is about.
    pub finding: Finding,
    /// The sensor it is about; only on findings of the sensor family.
    pub channel: Option<Channel>,
    /// The item of the service plan; only on findings of the care family.
    pub item: Option<Item>,
    /// How soon somebody must act.
    pub level: Level,
    /// What happened.
    pub state: State,
    /// Where it stands afterwards.
    pub alarm_state: AlarmState,
    /// The two numbers that say most.
    pub evidence: [Option<EvidenceItem>; 2],
    /// The most likely cause.
    pub candidate: Option<Candidate>,
    /// The `id` of the cause that replaced it.
    pub replaced_by: Option<u32>,
    /// Whether evidence, candidate and replacing cause were kept and are lost. The stamp is then right only if it lies
    /// within 49.7 days from 0 on, as stamps of a board do.
    pub detail_missing: bool,
}

impl JournalEvent {
    /// What the journal keeps of an event: of its evidence the first value, then the first limit, normal or time to the
    /// limit.
    #[must_use]
    pub fn of(event: &Event) -> Self {
        let is_value = |item: &EvidenceItem| matches!(item.key, EvidenceKey::Value(_));
        let value = event.evidence.iter().find(is_value);
        let measure = event.evidence.iter().find(|item| !is_value(item));
        let [candidate, ..] = event.candidates;
        Self {
            trip: event.trip,
            stamp: event.stamp,
            id: event.id,
            finding: event.finding,
            channel: event.channel,
            item: event.item,
            level: event.level,
            state: event.state,
            alarm_state: event.alarm_state,
            evidence: if value.is_some() { [value, measure] } else { [measure, None] },
            candidate,
            replaced_by: event.replaced_by,
            detail_missing: false,
        }
    }

    /// The family it is shown with.
    #[must_use]
    pub const fn family(&self) -> Family {
        self.finding.family()
    }

    /// What the entry itself holds.
    pub(super) fn main(&self) -> Main {
        let millis = self.stamp.as_millis();
        let subject = match self.family() {
            Family::Care => self.item.map_or(0, item_code),
            _ => self.channel.map_or(0, channel_code),
        };
        Main {
            trip: self.trip.clamp(-1, 254),
            stamp_low: low_32(millis),
            id: self.id.min(MOST_ID),
            finding: self.finding,
            subject,
            level: self.level,
            state: self.state,
            alarm_state: self.alarm_state,
            has_detail: self.needs_detail(),
        }
    }

    /// Whether it holds anything that finds no room in its own entry.
    pub(super) fn needs_detail(&self) -> bool {
        let has_numbers = self.evidence.iter().any(Option::is_some) || self.candidate.is_some();
        has_numbers || self.replaced_by.is_some() || self.stamp_high() != 0
    }

    fn stamp_high(&self) -> i16 {
        let high = (self.stamp.as_millis() >> 32).clamp(i64::from(i16::MIN), i64::from(i16::MAX));
        i16::try_from(high).unwrap_or(0)
    }

    /// What the entry before it holds.
    pub(super) fn detail(&self) -> Detail {
        Detail {
            stamp_high: self.stamp_high(),
            evidence: self.evidence,
            candidate: self.candidate,
            replaced_by: self.replaced_by.map(|id| id.min(MOST_ID)),
        }
    }
}

/// The entry of an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Main {
    trip: i16,
    stamp_low: u32,
    id: u32,
    finding: Finding,
    subject: u8,
    pub(super) level: Level,
    state: State,
    alarm_state: AlarmState,
    pub(super) has_detail: bool,
}

impl Main {
    /// The body of its entry, without the kind. Written byte by byte, because a step cannot afford more.
    pub(super) fn body(&self, running_s: u32) -> [u8; 16] {
        let detail = if self.has_detail { 0b100 } else { 0 };
        let [a, b, c, d] = running_s.to_le_bytes();
        let [s, t, u, v] = self.stamp_low.to_le_bytes();
        let [low, middle, high, _] = self.id.to_le_bytes();
        let trip = u8::try_from(self.trip.saturating_add(1)).unwrap_or(0);
        let flags = level_code(self.level) | detail | (self.subject << 4);
        let state = d | (state_code(self.state) << 4);
        let about = finding_code(self.finding) | (alarm_state_code(self.alarm_state) << 5);
        [high & 0x0F, flags, 0, 0, a, b, c, state, s, t, u, v, trip, low, middle, about]
    }

    pub(super) fn take_from(bytes: &[u8; 32]) -> Option<Self> {
        let [first, flags, .., finding] = *bytes.first_chunk::<20>()?;
        Some(Self {
            trip: i16::from(*bytes.get(16)?).saturating_sub(1),
            stamp_low: number32(bytes, 12, 4),
            id: number32(bytes, 17, 2) | (u32::from(first & 0x0F) << 16),
            finding: finding_of(finding & 0x1F)?,
            subject: flags >> 4,
            level: level_of(flags & 0b11)?,
            state: state_of(bytes.get(11)? >> 4)?,
            alarm_state: alarm_state_of(finding >> 5)?,
            has_detail: flags & 0b100 != 0,
        })
    }

    /// The event, together with what the entry before it holds.
    pub(super) fn join(&self, detail: Option<&Detail>) -> JournalEvent {
        let found = detail.unwrap_or(&Detail::NONE);
        let is_care = matches!(self.finding.family(), Family::Care);
        JournalEvent {
            trip: self.trip,
            stamp: Instant::from_millis((i64::from(found.stamp_high) << 32) | i64::from(self.stamp_low)),
            id: self.id,
            finding: self.finding,
            channel: if is_care { None } else { channel_of(self.subject) },
            item: if is_care { item_of(self.subject) } else { None },
            level: self.level,
            state: self.state,
            alarm_state: self.alarm_state,
            evidence: found.evidence,
            candidate: found.candidate,
            replaced_by: found.replaced_by,
            detail_missing: self.has_detail && detail.is_none(),
        }
    }
}

/// The entry before that of an event: what does not fit into it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Detail {
    stamp_high: i16,
    evidence: [Option<EvidenceItem>; 2],
    candidate: Option<Candidate>,
    replaced_by: Option<u32>,
}

impl Detail {
    pub(super) const NONE: Self = Self { stamp_high: 0, evidence: [None; 2], candidate: None, replaced_by: None };

    /// The body of its entry, without the kind.
    pub(super) fn body(&self) -> [u8; 16] {
        let [first, second] = self.evidence;
        let key = |item: Option<EvidenceItem>| item.map_or(0, |item| u16::from(key_code(item.key)));
        let value = |item: Option<EvidenceItem>| item.map_or(0, |item| item.value.unwrap_or(UNKNOWN)).to_le_bytes();
        let cause = self.candidate.map_or(0, |candidate| u16::from(finding_code(candidate.finding)));
        let share_pct = self.candidate.map_or(0, |candidate| candidate.share_pct);
        let [low, middle, high, _] = self.replaced_by.unwrap_or(0).to_le_bytes();
        let [stamp, stamp_sign] = self.stamp_high.to_le_bytes();
        let [keys, more_keys] = (key(first) | (key(second) << 5) | (cause << 10)).to_le_bytes();
        let ([a, b, c, d], [e, f, g, h]) = (value(first), value(second));
        [high & 0x0F, share_pct, low, middle, stamp, stamp_sign, keys, more_keys, a, b, c, d, e, f, g, h]
    }

    pub(super) fn take_from(bytes: &[u8; 32]) -> Self {
        let [first, share_pct, ..] = *bytes;
        let keys = number16(bytes, 10);
        let five_bits = |shift: u32| u8::try_from((keys >> shift) & 0x1F).unwrap_or(0);
        let item = |code: u8, at: usize| {
            let value = number32(bytes, at, 4).cast_signed();
            key_of(code).map(|key| EvidenceItem { key, value: (value != UNKNOWN).then_some(value) })
        };
        let replaced_by = number32(bytes, 6, 2) | (u32::from(first & 0x0F) << 16);
        Self {
            stamp_high: number16(bytes, 8).cast_signed(),
            evidence: [item(five_bits(0), 12), item(five_bits(5), 16)],
            candidate: finding_of(five_bits(10)).map(|finding| Candidate { finding, share_pct }),
            replaced_by: (replaced_by != 0).then_some(replaced_by),
        }
    }
}

fn low_32(millis: i64) -> u32 {
    u32::try_from(millis & i64::from(u32::MAX)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::event::Evidence;

    pub(super) fn event() -> Event {
        Event {
            trip: 3,
            stamp: Instant::from_millis(412_500),
            id: 17,
            finding: Finding::IntakeBlocked,
            channel: None,
            item: None,
            level: Level::Alarm,
            state: State::Raised,
            alarm_state: AlarmState::Unacknowledged,
            evidence: Evidence::NONE
                .with(EvidenceKey::Limit(Channel::Flow), Some(300))
                .with(EvidenceKey::Value(Channel::Flow), Some(0))
                .with(EvidenceKey::Value(Channel::Head), Some(71_300)),
            candidates: [Some(Candidate { finding: Finding::IntakeBlocked, share_pct: 71 }), None, None],
            replaced_by: None,
        }
    }

    #[test]
    fn the_value_goes_first_then_its_measure() {
        let kept = JournalEvent::of(&event());
        let item = |key, value| Some(EvidenceItem { key, value });
        let expected =
            [item(EvidenceKey::Value(Channel::Flow), Some(0)), item(EvidenceKey::Limit(Channel::Flow), Some(300))];
        assert_eq!(kept.evidence, expected);
        assert_eq!(kept.candidate, Some(Candidate { finding: Finding::IntakeBlocked, share_pct: 71 }));
        let unbounded = Evidence::NONE.with(EvidenceKey::Eta, None);
        let kept = JournalEvent::of(&Event { evidence: unbounded, ..event() });
        assert_eq!(kept.evidence, [item(EvidenceKey::Eta, None), None], "no value: the measure alone");
    }

    /// The body in its places of an entry.
    fn entry(body: [u8; 16]) -> [u8; 32] {
        let mut bytes = [0; 32];
        bytes[..2].copy_from_slice(&body[..2]);
        bytes[6..20].copy_from_slice(&body[2..]);
        bytes
    }

    fn there_and_back(event: &JournalEvent) -> JournalEvent {
        let main = Main::take_from(&entry(event.main().body(0))).unwrap();
        let detail = Detail::take_from(&entry(event.detail().body()));
        main.join(main.has_detail.then_some(detail).as_ref())
    }

    #[test]
    fn everything_comes_back() {
        let base = JournalEvent::of(&event());
        let plain = JournalEvent { evidence: [None; 2], candidate: None, ..base };
        let unknown = Some(EvidenceItem { key: EvidenceKey::EtaHigh, value: None });
        let negative = Some(EvidenceItem { key: EvidenceKey::Value(Channel::Water), value: Some(-1_900) });
        let millis = Instant::from_millis;
        let cases = [
            ("an alarm", base),
            ("no detail", plain),
            ("a clock of the calendar", JournalEvent { stamp: millis(1_795_588_200_123), ..plain }),
            ("before zero", JournalEvent { stamp: millis(-1), ..plain }),
            ("unknown and negative", JournalEvent { evidence: [unknown, negative], ..plain }),
            ("greatest id", JournalEvent { id: 0xF_FFFF, ..base }),
            ("commissioning", JournalEvent { trip: -1, ..base }),
            ("replaced", JournalEvent { state: State::Replaced, replaced_by: Some(0xA_BCDE), ..base }),
            ("a sensor", JournalEvent { finding: Finding::SensorOpen, channel: Some(Channel::Oil), ..base }),
            ("care", JournalEvent { finding: Finding::ServiceDue, item: Some(Item::FuelFill), ..base }),
        ];
        for (name, event) in cases {
            assert_eq!(there_and_back(&event), event, "{name}");
        }
        assert!(!plain.main().has_detail && base.main().has_detail);
    }

    #[test]
    fn what_is_too_large_is_kept_as_the_largest() {
        let large = JournalEvent { trip: 300, id: u32::MAX, ..JournalEvent::of(&event()) };
        let kept = there_and_back(&large);
        assert_eq!((kept.trip, kept.id), (254, 0xF_FFFF));
    }

    #[test]
    fn a_missing_detail_is_said() {
        let main = entry(JournalEvent::of(&event()).main().body(0));
        let found = Main::take_from(&main).unwrap().join(None);
        assert!(found.detail_missing);
        assert_eq!((found.evidence, found.candidate), ([None; 2], None));
        assert_eq!(found.stamp, Instant::from_millis(412_500));
    }
}
