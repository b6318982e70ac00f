//! The service book in a memory: read through the board's own store, on a copy, so that nothing is changed.

pub mod export;
mod json;
mod page;
pub mod plan;
mod service;
mod sign;

pub use json::to_json;
pub use page::to_text;
pub use service::{SignedService, ToldClock, ToldMeter, date_text, hours_text, moment_text, parse_date};
pub use sign::{SignRequest, follow_profile, sign, sign_meter};

use std::collections::HashMap;

use monitor_core::Monitor;
use monitor_core::event::{Event, Evidence, State};
use monitor_core::ledger::store::{
    ChainHead, Conditions, Fullness, JournalEvent, REGION_BYTES, Record, Store, StoreError, Tally, Verdict,
};
use monitor_core::ledger::{Band, CarePlan, ClockQuality, MeterChange, Totals};
use monitor_core::profile::Profile;
use monitor_core::time::Instant;

use crate::memory::RegionFlash;

/// Running time in one band of engine speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BandTime {
    /// The band.
    pub band: Band,
    /// Its lower edge in rpm.
    pub from_rpm: i32,
    /// Its upper edge in rpm; the last band has none.
    pub to_rpm: Option<i32>,
    /// Whole seconds of running.
    pub seconds: u64,
}

/// An event of the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BookEvent {
    /// The event, with two numbers of evidence at most.
    pub event: Event,
    /// Orders all records.
    pub seq: u32,
    /// Number of the power-up, low 16 bits.
    pub boot: u16,
    /// Running seconds of the engine.
    pub running_s: u32,
    /// Seconds that the engine was run on since the finding was raised; of a `raised` itself until it had gone, or until
    /// now. `None` where its beginning is no longer in the journal.
    pub run_on_s: Option<u32>,
    /// Its numbers could not be read.
    pub detail_missing: bool,
}

/// Seconds by which two clocks may differ before one of them was set: own convention, for typed times have no seconds.
const CLOCKS_AGREE_S: u64 = 120;

/// What a memory says.
#[derive(Debug, Clone)]
pub struct Ledger {
    /// Hours, starts and abuse.
    pub totals: Totals,
    /// The engine, where the memory holds its profile.
    pub profile: Option<Profile>,
    /// Running time by engine speed; empty where the memory holds no profile.
    pub bands: Vec<BandTime>,
    /// The events that are still there one by one, oldest first.
    pub events: Vec<BookEvent>,
    /// What is to be serviced when, and when it was done last.
    pub plan: CarePlan,
    /// The sign-offs that are still there one by one, oldest first.
    pub sign_offs: Vec<SignedService>,
    /// What an older hour meter or board showed, as it was signed last.
    pub meter: Option<MeterChange>,
    /// The hour meters and boards that the monitor took over from, oldest first.
    pub meters: Vec<ToldMeter>,
    /// The times of day that were told, oldest first.
    pub clocks: Vec<ToldClock>,
    /// Records after which the journal shows fewer running seconds than before, by their sequence.
    pub went_back: Vec<u32>,
    /// What the chain of the journal shows.
    pub chain: Verdict,
    /// The newest tag of the chain, for the hand-over slip.
    pub chain_head: Option<ChainHead>,
    /// Running seconds at the newest record of the journal.
    pub newest_running_s: Option<u32>,
    /// How many events there have been in all, those that made room included.
    pub tally: Tally,
    /// How full the journal is.
    pub fullness: Fullness,
    /// Number of power-ups.
    pub boots: u32,
    /// Records that could not be read.
    pub damaged: u16,
}

impl Ledger {
    /// Running seconds of the engine, with what older hour meters or boards showed.
    #[must_use]
    pub fn engine_s(&self) -> u64 {
        let running_s = self.totals.all_running_ms() / 1_000;
        self.meter.map_or(running_s, |change| change.engine_s(running_s))
    }

    /// When an event happened, in seconds since 1970, by the best clock that was told in its power-up, the nearest of equals.
    #[must_use]
    pub fn moment(&self, kept: &BookEvent) -> Option<(u32, ClockQuality)> {
        let stamp_ms = kept.event.stamp.as_millis();
        let of_boot = self.clocks.iter().filter(|told| told.boot == kept.boot);
        let best = of_boot.filter(|told| told.anchor.stamp_s.is_some()).max_by_key(|told| {
            let away_s = (stamp_ms / 1_000).abs_diff(i64::from(told.anchor.stamp_s.unwrap_or(0)));
            (told.anchor.quality, std::cmp::Reverse(away_s))
        })?;
        Some((best.anchor.unix_s_at(stamp_ms)?, best.anchor.quality))
    }

    /// Clocks that were told in one power-up and contradict each other: sequence of the later one, and the seconds by which
    /// it was put forward, or back where they are negative.
    #[must_use]
    pub fn clock_steps(&self) -> Vec<(u32, i64)> {
        let steps = self.clocks.windows(2).filter(|pair| pair[0].boot == pair[1].boot).filter_map(|pair| {
            let by_s = pair[0].anchor.set_by_s(&pair[1].anchor)?;
            (by_s.unsigned_abs() > CLOCKS_AGREE_S).then_some((pair[1].seq, by_s))
        });
        // Time never passes backward from one power-up to the next.
        let back = self.clocks.windows(2).filter(|pair| pair[0].boot != pair[1].boot).filter_map(|pair| {
            let by_s = i64::from(pair[1].anchor.unix_s) - i64::from(pair[0].anchor.unix_s);
            (by_s < -CLOCKS_AGREE_S.cast_signed()).then_some((pair[1].seq, by_s))
        });
        let mut all: Vec<_> = steps.chain(back).collect();
        all.sort_unstable();
        all
    }

    /// Whether the journal has summed up events, so that they no longer stand in it one by one.
    #[must_use]
    pub fn has_summed_events(&self) -> bool {
        let Tally { alarms, warnings, cautions, .. } = self.tally;
        let all = u64::from(alarms) + u64::from(warnings) + u64::from(cautions);
        u64::try_from(self.events.len()).is_ok_and(|shown| shown < all)
    }

    /// Whether there is something in the memory, and none of it can be read.
    #[must_use]
    pub fn is_lost(&self) -> bool {
        self.damaged > 0 && self.boots == 0 && self.events.is_empty() && self.totals == Totals::NONE
    }
}

/// Reads the service book of a memory.
///
/// # Errors
/// The store cannot read it.
pub fn read(memory: &RegionFlash) -> Result<Ledger, StoreError> {
    let mut flash = memory.clone();
    let mut store = Store::new();
    store.open(&mut flash, 0)?;
    let damaged = store.damaged();
    let standing = Conditions { engine_runs: false, supply_is_good: true };
    // Reading may end in a write to the copy: the first act after power-up. More acts than bytes there are not.
    for _ in 0..REGION_BYTES {
        if store.is_ready() {
            break;
        }
        let _ = store.service(&mut flash, &Totals::NONE, standing)?;
    }
    let totals = store.hours.saved().ok_or(StoreError::NotReady)?;
    let settings = store.settings.load(&mut flash)?.unwrap_or_default();
    let running_s = u32::try_from(totals.all_running_ms() / 1_000).unwrap_or(u32::MAX);
    let newest = store.journal.older(&mut flash, &mut store.journal.newest())?;
    let told = service::read(&store.journal, &mut flash)?;
    Ok(Ledger {
        newest_running_s: newest.map(|recorded| recorded.running_s),
        totals,
        profile: settings.profile,
        bands: settings.profile.map(|profile| bands(memory, &profile)).transpose()?.unwrap_or_default(),
        events: events(&store, &mut flash, running_s)?,
        // The plan remembers what the journal had to sum up, and the journal what a cut kept from the plan.
        plan: told.sign_offs.iter().fold(settings.care, |plan, signed| plan.signed(&signed.sign_off, signed.seq)),
        sign_offs: told.sign_offs,
        meter: told.meters.last().map(|told| told.change).or(settings.meter),
        meters: told.meters,
        clocks: told.clocks,
        went_back: told.went_back,
        chain: store.journal.verify(&mut flash, settings.chain_key.as_ref())?,
        chain_head: store.journal.head(),
        tally: store.journal.tally(&mut flash)?,
        fullness: store.journal.fullness(),
        // The copy had one power-up more than the memory.
        boots: store.boot().saturating_sub(1),
        damaged,
    })
}

fn bands(memory: &RegionFlash, profile: &Profile) -> Result<Vec<BandTime>, StoreError> {
    let mut flash = memory.clone();
    let mut monitor = Box::new(Monitor::new());
    // A profile that contradicts itself was written by nobody; it has no bands.
    if monitor.begin(profile).is_err() {
        return Ok(Vec::new());
    }
    monitor.open(&mut flash, 0)?;
    for _ in 0..REGION_BYTES {
        if monitor.is_ready() {
            break;
        }
        let _ = monitor.service(Instant::from_millis(0), &mut flash)?;
    }
    let bands = monitor.hours().bands();
    Ok(bands.map(|(band, from_rpm, to_rpm, seconds)| BandTime { band, from_rpm, to_rpm, seconds }).collect())
}

fn events(store: &Store, flash: &mut RegionFlash, running_s: u32) -> Result<Vec<BookEvent>, StoreError> {
    let journal = &store.journal;
    let (mut walk, mut events, mut running) = (journal.newest(), Vec::new(), Vec::new());
    while let Some(recorded) = journal.older(flash, &mut walk)? {
        let Record::Event(event) = recorded.record else { continue };
        events.push(BookEvent {
            event: as_event(&event),
            seq: recorded.seq,
            boot: recorded.boot,
            running_s: recorded.running_s,
            run_on_s: None,
            detail_missing: event.detail_missing,
        });
        running.push(recorded.running_s);
    }
    events.reverse();
    running.reverse();
    tell_run_on(&mut events, &running, running_s);
    Ok(events)
}

/// Works out how long the engine was run on after each alarm. `running` holds the running seconds of each event, oldest
/// first, and `now_s` those of the engine.
fn tell_run_on(events: &mut [BookEvent], running: &[u32], now_s: u32) {
    // Of each finding when it was last raised, and which events wait for its end.
    let mut raised: HashMap<u32, (u32, Vec<usize>)> = HashMap::new();
    for (place, &at_s) in running.iter().enumerate() {
        let Some(kept) = events.get_mut(place) else { continue };
        let (id, state) = (kept.event.id, kept.event.state);
        if state == State::Raised {
            let (begun_s, open) = raised.entry(id).or_default();
            *begun_s = at_s;
            open.push(place);
            continue;
        }
        let Some((begun_s, open)) = raised.get_mut(&id) else { continue };
        kept.run_on_s = Some(at_s.saturating_sub(*begun_s));
        if matches!(state, State::Cleared | State::Replaced) {
            for beginning in std::mem::take(open) {
                end_run_on(events, running, beginning, at_s);
            }
        }
    }
    for beginning in raised.into_values().flat_map(|(_, open)| open) {
        end_run_on(events, running, beginning, now_s);
    }
}

fn end_run_on(events: &mut [BookEvent], running: &[u32], beginning: usize, end_s: u32) {
    if let (Some(kept), Some(begun_s)) = (events.get_mut(beginning), running.get(beginning)) {
        kept.run_on_s = Some(end_s.saturating_sub(*begun_s));
    }
}

fn as_event(kept: &JournalEvent) -> Event {
    let numbers = kept.evidence.iter().flatten();
    Event {
        trip: kept.trip,
        stamp: kept.stamp,
        id: kept.id,
        finding: kept.finding,
        channel: kept.channel,
        item: kept.item,
        level: kept.level,
        state: kept.state,
        alarm_state: kept.alarm_state,
        evidence: numbers.fold(Evidence::NONE, |evidence, item| evidence.with(item.key, item.value)),
        candidates: [kept.candidate, None, None],
        replaced_by: kept.replaced_by,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use monitor_core::event::AlarmState;
    use monitor_core::finding::{Finding, Level};

    fn event(id: u32, state: State) -> BookEvent {
        let event = Event {
            trip: 0,
            stamp: Instant::from_millis(0),
            id,
            finding: Finding::OverSpeed,
            channel: None,
            item: None,
            level: Level::Warning,
            state,
            alarm_state: AlarmState::Normal,
            evidence: Evidence::NONE,
            candidates: [None; 3],
            replaced_by: None,
        };
        BookEvent { event, seq: 0, boot: 1, running_s: 0, run_on_s: None, detail_missing: false }
    }

    #[test]
    fn how_long_the_engine_was_run_on_after_the_alarm() {
        let cases = [
            ("raised at 100, cleared at 400", 100, event(1, State::Raised), Some(300)),
            ("still open at 1,000", 110, event(2, State::Raised), Some(890)),
            ("until this event", 160, event(1, State::Acknowledged), Some(60)),
            ("the end itself", 400, event(1, State::Cleared), Some(300)),
            ("the same episode again", 420, event(1, State::Raised), Some(30)),
            ("its beginning is not in the journal", 425, event(3, State::Acknowledged), None),
            ("its end", 450, event(1, State::Cleared), Some(30)),
            ("replaced by its cause later", 500, event(4, State::Raised), Some(7)),
            ("replaced", 507, event(4, State::Replaced), Some(7)),
        ];
        let running: Vec<_> = cases.iter().map(|(_, at_s, ..)| *at_s).collect();
        let mut events: Vec<_> = cases.iter().map(|(_, _, event, _)| *event).collect();
        tell_run_on(&mut events, &running, 1_000);
        for (found, (name, _, _, expected)) in events.iter().zip(&cases) {
            assert_eq!(found.run_on_s, *expected, "{name}");
        }
    }
}
