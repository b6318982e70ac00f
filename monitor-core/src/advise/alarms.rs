//! Where each finding stands with the people aboard: the states of IEC 62682 (ISA-18.2).
//!
//! A finding has a slot from the moment it is raised until it is back to normal and its episode is over. The state is
//! never stored: it follows from what is stored (is it so, was it acknowledged, was it reset, is it held aside).

mod kept;
mod slot;

use slot::{Aside, Slot};

use super::subject::Subject;
use crate::acquire::Channel;
use crate::assess::explains;
use crate::command::{Command, Refusal};
use crate::condition::Tick;
use crate::detect::Standing;
use crate::event::{AlarmState, State};
use crate::finding::{Finding, FindingSet, Kind, Level};
use crate::ledger::Item;

/// Findings that can be followed at once.
const SLOTS: usize = 12;
/// A finding has gone once it was absent for this long.
const OFF_DELAY_MS: u32 = 10_000;
/// Raised again within this time of clearing it is the same episode.
const EPISODE_MS: u64 = 60_000;

/// Elapsed time begins at power-up, and what was raised before it has to have a time too: here it begins an hour later.
const BEFORE_POWER_UP_MS: u64 = 3_600_000;

/// It would wrap after 584 million years.
const fn clock_ms(elapsed_ms: u64) -> u64 {
    elapsed_ms.wrapping_add(BEFORE_POWER_UP_MS)
}

/// Something that happened to a finding: an event without its evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Happening {
    pub(crate) id: u32,
    pub(crate) finding: Finding,
    pub(crate) channel: Option<Channel>,
    pub(crate) item: Option<Item>,
    pub(crate) level: Level,
    pub(crate) state: State,
    pub(crate) alarm_state: AlarmState,
    pub(crate) replaced_by: Option<u32>,
}

/// What lamp and sounder must show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Outlook {
    /// Worst level that is not acknowledged.
    pub(crate) unacknowledged: Option<Level>,
    /// Worst level that stands, not acknowledged and not silenced: it sounds.
    pub(crate) sounding: Option<Level>,
    /// Worst level that stands and is silenced but not acknowledged: it will sound again.
    pub(crate) silenced: Option<Level>,
    /// Worst level that is acknowledged and still open.
    pub(crate) acknowledged: Option<Level>,
}

/// All findings that are open or were a moment ago.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Alarms {
    slots: [Option<Slot>; SLOTS],
    /// The findings that stand or were replaced, so that the many that do not cost nothing.
    standing: FindingSet,
    /// Whether a finding is shelved.
    any_shelved: bool,
    /// Whether anything happened that lamp and sounder must follow.
    changed: bool,
    last_id: u32,
    /// Findings for which there was no slot.
    turned_away: u32,
}

impl Alarms {
    /// Items of the service plan that can stand at once.
    const MOST_ITEMS: usize = 4;

    pub(crate) const fn new() -> Self {
        Self {
            slots: [None; SLOTS],
            standing: FindingSet::EMPTY,
            any_shelved: false,
            changed: false,
            last_id: 0,
            turned_away: 0,
        }
    }

    /// Takes the standing of one finding in one tick; returns what happened to it.
    pub(crate) fn apply(
        &mut self,
        tick: &Tick,
        finding: Finding,
        channel: Option<Channel>,
        standing: Standing,
    ) -> Option<Happening> {
        self.apply_to(tick, finding, Subject::of_channel(channel), standing)
    }

    /// Takes the standing of one item of the service plan; returns what happened to it. No more than
    /// [`Alarms::MOST_ITEMS`] stand at once: findings of the engine need their slots, and the plan lists them all.
    pub(crate) fn apply_item(
        &mut self,
        tick: &Tick,
        finding: Finding,
        item: Item,
        standing: Standing,
    ) -> Option<Happening> {
        let is_care = |slot: &&Slot| slot.standing() && slot.subject.item().is_some();
        let is_full = self.slots.iter().flatten().filter(is_care).count() >= Self::MOST_ITEMS;
        if is_full && !self.stands_item(item) {
            return None;
        }
        self.apply_to(tick, finding, Subject::of_item(item), standing)
    }

    /// Whether a finding about this item stands.
    pub(crate) fn stands_item(&self, item: Item) -> bool {
        self.slots.iter().flatten().any(|slot| slot.standing() && slot.subject.item() == Some(item))
    }

    fn apply_to(&mut self, tick: &Tick, finding: Finding, subject: Subject, standing: Standing) -> Option<Happening> {
        if !self.wants(finding, standing) {
            return None;
        }
        let index = self
            .slots
            .iter()
            .position(|slot| slot.as_ref().is_some_and(|slot| slot.finding == finding && slot.subject == subject));
        let happening = match (standing, index) {
            (Standing::Unjudged | Standing::Between | Standing::Absent, None) => None,
            (Standing::Present(level), None) => self.raise_new(tick, finding, subject, level),
            (_, Some(index)) => self.update(tick, index, standing),
        };
        if happening.is_some() {
            self.note_change();
        }
        happening
    }

    /// Whether a standing can change anything: it begins, or something of that finding stands and can be told.
    pub(crate) const fn wants(&self, finding: Finding, standing: Standing) -> bool {
        matches!(standing, Standing::Present(_)) || (self.stands(finding) && !matches!(standing, Standing::Unjudged))
    }

    /// Whether the finding stands or was replaced, on whatever channel.
    pub(crate) const fn stands(&self, finding: Finding) -> bool {
        self.standing.contains(finding)
    }

    /// Whether one of these findings stands or was replaced.
    pub(crate) const fn one_stands_of(&self, findings: FindingSet) -> bool {
        self.standing.meets(findings)
    }

    /// Whether any finding stands or was replaced: nothing that is measured now is this engine's normal.
    pub(crate) const fn anything_stands(&self) -> bool {
        !self.standing.is_empty()
    }

    /// Brings up to date what is kept beside the slots.
    fn note_change(&mut self) {
        self.standing = FindingSet::EMPTY;
        self.any_shelved = false;
        for slot in &self.slots {
            let Some(slot) = slot else { continue };
            if slot.standing() || slot.replaced_by().is_some() {
                self.standing = self.standing.with(slot.finding);
            }
            self.any_shelved |= slot.aside() == Aside::Shelved;
        }
        self.changed = true;
    }

    /// Whether anything happened that was not asked for yet.
    pub(crate) const fn has_changed(&self) -> bool {
        self.changed
    }

    /// Whether anything happened since this was asked last.
    pub(crate) fn take_changed(&mut self) -> bool {
        core::mem::take(&mut self.changed)
    }

    fn update(&mut self, tick: &Tick, index: usize, standing: Standing) -> Option<Happening> {
        let next_id = self.last_id.saturating_add(1);
        let cause = self.slots.get(index)?.as_ref()?.replaced_by();
        let cause_stands =
            cause.is_some_and(|cause| self.slots.iter().flatten().any(|s| s.id == cause && s.standing()));
        let slot = self.slots.get_mut(index)?.as_mut()?;
        match standing {
            Standing::Unjudged => None,
            Standing::Between => {
                slot.not_absent();
                None
            }
            Standing::Absent if slot.standing() => {
                let passed_ms = if tick.after_hole() { 0 } else { tick.since_last_ms };
                if slot.lengthen_absence(passed_ms) < OFF_DELAY_MS {
                    return None;
                }
                slot.end_standing(clock_ms(tick.at_ms));
                // What came and went while it was put aside needs nobody's attention afterwards.
                if slot.aside() != Aside::No && !slot.finding.latches() {
                    slot.set_acknowledged(true);
                }
                Some(slot.happening(State::Cleared))
            }
            // Comes back while its cause stands: still explained.
            Standing::Absent if cause_stands => None,
            Standing::Absent => {
                // A replaced condition that has gone needs no memory of its cause.
                if slot.replaced_by().is_some() {
                    slot.set_replaced_by(None);
                    slot.set_acknowledged(true);
                    self.note_change();
                }
                None
            }
            Standing::Present(level) if slot.standing() => {
                slot.not_absent();
                if level <= slot.level {
                    return None;
                }
                slot.level = level;
                slot.set_acknowledged(false);
                slot.set_silenced(false);
                slot.set_since_ms(clock_ms(tick.at_ms));
                Some(slot.happening(State::LevelChanged))
            }
            Standing::Present(_) if cause_stands => None,
            Standing::Present(level) => {
                let same_episode = slot.age_ms(clock_ms(tick.at_ms)) <= EPISODE_MS;
                let worse = level > slot.level;
                if !same_episode {
                    slot.id = next_id;
                    self.last_id = next_id;
                }
                slot.set_acknowledged(level == Level::Caution || (same_episode && slot.acknowledged() && !worse));
                slot.level = level;
                slot.set_since_ms(clock_ms(tick.at_ms));
                slot.set_standing(true);
                slot.set_reset(false);
                slot.set_replaced_by(None);
                slot.not_absent();
                Some(slot.happening(State::Raised))
            }
        }
    }

    fn raise_new(&mut self, tick: &Tick, finding: Finding, subject: Subject, level: Level) -> Option<Happening> {
        let Some(index) = self.free_slot(tick, level) else {
            self.turned_away = self.turned_away.saturating_add(1);
            return None;
        };
        self.last_id = self.last_id.saturating_add(1);
        let mut slot = Slot::new(self.last_id, finding, subject, level, clock_ms(tick.at_ms));
        slot.set_standing(true);
        slot.set_acknowledged(level == Level::Caution);
        *self.slots.get_mut(index)? = Some(slot);
        Some(slot.happening(State::Raised))
    }

    /// A slot that is empty, or whose episode is over, or that matters least among those at rest or of a lower level.
    fn free_slot(&mut self, tick: &Tick, level: Level) -> Option<usize> {
        // What a cause replaced is not over: it would be raised anew beside its cause.
        let over = |slot: &Slot| {
            !slot.is_open() && slot.replaced_by().is_none() && slot.age_ms(clock_ms(tick.at_ms)) > EPISODE_MS
        };
        if let Some(index) = self.slots.iter().position(|slot| slot.as_ref().is_none_or(over)) {
            return Some(index);
        }
        let mut least: Option<(bool, Level, usize)> = None;
        for (slot, index) in self.slots.iter().zip(0_usize..) {
            let Some(slot) = slot else { continue };
            if least.is_none_or(|(open, level, _)| (slot.is_open(), slot.level) < (open, level)) {
                least = Some((slot.is_open(), slot.level, index));
            }
        }
        match least {
            Some((false, _, index)) => Some(index),
            Some((true, lowest, index)) if lowest < level => {
                self.turned_away = self.turned_away.saturating_add(1);
                Some(index)
            }
            _ => None,
        }
    }

    /// A condition that the newly raised cause explains; called until there is none left.
    pub(crate) fn replace_explained(&mut self, tick: &Tick, cause: &Happening) -> Option<Happening> {
        let slot = self.slots.iter_mut().flatten().find(|slot| {
            slot.standing()
                && slot.finding.kind() == Kind::Condition
                && explains(cause.finding, cause.level, slot.finding, slot.level)
        })?;
        slot.end_standing(clock_ms(tick.at_ms));
        slot.set_replaced_by(Some(cause.id));
        let mut happening = slot.happening(State::Replaced);
        happening.alarm_state = AlarmState::Normal;
        happening.replaced_by = Some(cause.id);
        self.note_change();
        Some(happening)
    }

    /// The next shelving that is over by `at_ms`, ended; called until there is none left.
    pub(crate) fn end_shelving(&mut self, at_ms: u64) -> Option<Happening> {
        if !self.any_shelved {
            return None;
        }
        let over = |slot: &Slot| slot.aside() == Aside::Shelved && clock_ms(at_ms) >= slot.shelved_until_ms();
        let slot = self.slots.iter_mut().flatten().find(|slot| over(slot))?;
        slot.set_aside(Aside::No);
        let happening = slot.happening(State::Unshelved);
        self.note_change();
        Some(happening)
    }

    /// Applies a request to the open finding number `position`; `None` where it has no effect there.
    pub(crate) fn command(&mut self, position: usize, command: Command, at_ms: u64) -> Option<Happening> {
        let slot = self.slots.get_mut(position)?.as_mut()?;
        let wanted = target(command)?;
        if wanted.is_some_and(|finding| finding != slot.finding) || !slot.is_open() {
            return None;
        }
        let state = match command {
            Command::Acknowledge(_) if !slot.acknowledged() => {
                slot.set_acknowledged(true);
                slot.set_silenced(false);
                State::Acknowledged
            }
            Command::Silence(_) if slot.standing() && !slot.acknowledged() && !slot.silenced() => {
                slot.set_silenced(true);
                State::Silenced
            }
            Command::Reset(_) if slot.finding.latches() && !slot.standing() && !slot.reset() => {
                slot.set_reset(true);
                State::Reset
            }
            Command::Shelve { minutes, .. } if slot.finding.can_be_shelved() && slot.aside() == Aside::No => {
                let minutes_ms = u32::from(minutes).wrapping_mul(60_000);
                slot.shelve_until(clock_ms(at_ms).wrapping_add(u64::from(minutes_ms)));
                State::Shelved
            }
            Command::Unshelve(_) if slot.aside() == Aside::Shelved => {
                slot.set_aside(Aside::No);
                State::Unshelved
            }
            Command::Suppress(_) if slot.aside() == Aside::No => {
                slot.set_aside(Aside::Suppressed);
                State::Suppressed
            }
            Command::Unsuppress(_) if slot.aside() == Aside::Suppressed => {
                slot.set_aside(Aside::No);
                State::Unsuppressed
            }
            Command::OutOfService(_) if slot.aside() == Aside::No => {
                slot.set_aside(Aside::OutOfService);
                State::OutOfService
            }
            Command::InService(_) if slot.aside() == Aside::OutOfService => {
                slot.set_aside(Aside::No);
                State::InService
            }
            _ => return None,
        };
        let happening = slot.happening(state);
        self.note_change();
        Some(happening)
    }

    /// Number of positions that [`Self::command`] takes.
    pub(crate) const POSITIONS: usize = SLOTS;

    /// Raises the next warning that has stood for `after_ms` without anybody taking note to an alarm; called until
    /// there is none left (IMO MSC.302(87) 6.2.2: an option).
    pub(crate) fn escalate(&mut self, at_ms: u64, after_ms: u64) -> Option<Happening> {
        let slot = self.slots.iter_mut().flatten().find(|slot| {
            slot.level == Level::Warning
                && slot.alarm_state() == AlarmState::Unacknowledged
                && slot.age_ms(clock_ms(at_ms)) >= after_ms
        })?;
        slot.level = Level::Alarm;
        slot.set_silenced(false);
        let happening = slot.happening(State::LevelChanged);
        self.note_change();
        Some(happening)
    }

    /// Lets silenced findings sound again.
    pub(crate) fn end_silence(&mut self) {
        for slot in self.slots.iter_mut().flatten() {
            slot.set_silenced(false);
        }
        self.changed = true;
    }

    /// What lamp and sounder must show.
    pub(crate) fn outlook(&self) -> Outlook {
        let mut outlook = Outlook::default();
        for slot in &self.slots {
            let Some(slot) = slot else { continue };
            let level = Some(slot.level);
            match slot.alarm_state() {
                AlarmState::Unacknowledged => {
                    outlook.unacknowledged = outlook.unacknowledged.max(level);
                    if slot.silenced() {
                        outlook.silenced = outlook.silenced.max(level);
                    } else {
                        outlook.sounding = outlook.sounding.max(level);
                    }
                }
                AlarmState::ReturnedUnacknowledged => outlook.unacknowledged = outlook.unacknowledged.max(level),
                AlarmState::Latched if !slot.acknowledged() => {
                    outlook.unacknowledged = outlook.unacknowledged.max(level);
                }
                AlarmState::Acknowledged | AlarmState::Latched => {
                    outlook.acknowledged = outlook.acknowledged.max(level);
                }
                _ => {}
            }
        }
        outlook
    }

    /// Findings for which there was no slot, since the monitor was made.
    pub(crate) const fn turned_away(&self) -> u32 {
        self.turned_away
    }
}

/// The finding that a request about alarms names, `Some(None)` for all open ones; `None` for other requests.
fn target(command: Command) -> Option<Option<Finding>> {
    match command {
        Command::Acknowledge(finding)
        | Command::Silence(finding)
        | Command::Shelve { finding, .. }
        | Command::Unshelve(finding)
        | Command::OutOfService(finding)
        | Command::InService(finding)
        | Command::Reset(finding)
        | Command::Suppress(finding)
        | Command::Unsuppress(finding) => Some(finding),
        Command::Commission { .. } | Command::Sign | Command::SetClock { .. } => None,
    }
}

/// Whether a request can be carried out at all.
pub(crate) fn admissible(command: Command) -> Result<(), Refusal> {
    match command {
        Command::Shelve { minutes, .. } if minutes == 0 || minutes > Command::SHELVE_MAX_MINUTES => {
            Err(Refusal::ShelveTime)
        }
        _ if target(command).is_none() => Err(Refusal::NotAvailable),
        _ => Ok(()),
    }
}
