//! Writing into the service book of a memory, with the board's own store code.
//!
//! Signing is no power-up: only the journal and the settings are opened, and power-ups are not counted.

use monitor_core::ledger::store::{
    Area, Conditions, HoursArea, Journal, LearnedArea, NOTE_PIECE_BYTES, NewRecord, NotePiece, Progress, Settings,
    SettingsArea, StoreError, Work,
};
use monitor_core::ledger::{CarePlan, Day, Item, MeterChange, Role, SignOff};

use crate::memory::RegionFlash;

/// The engine stands, the supply is good: whatever is due may be done.
const AT_THE_DESK: Conditions = Conditions { engine_runs: false, supply_is_good: true };

/// What is to be signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignRequest {
    /// What was done.
    pub item: Item,
    /// Who says so.
    pub role: Role,
    /// Running seconds of the engine at which it was done.
    pub at_s: u32,
    /// The day, where it is known.
    pub day: Option<Day>,
    /// A note of up to [`monitor_core::ledger::store::NOTE_BYTES`] bytes; a longer one is cut.
    pub note: String,
}

/// Signs a service: a new entry in the journal, and what the plan knows of the item.
///
/// # Errors
/// The store cannot read or write the region, or a newer version has written its settings.
pub fn sign(region: &mut RegionFlash, request: &SignRequest) -> Result<(), StoreError> {
    let (mut area, settings) = open_settings(region)?;
    let running_s = running_s(region)?;
    let mut journal = open_journal(region, &settings)?;
    let mut append = |region: &mut RegionFlash, record: NewRecord| {
        while journal.append(region, running_s, &record)? == Progress::Again {}
        Ok::<_, StoreError>(())
    };
    let pieces = pieces(&request.note);
    for piece in &pieces {
        append(region, NewRecord::Note(*piece))?;
    }
    let note_pieces = u8::try_from(pieces.len()).unwrap_or(0);
    let SignRequest { item, role, at_s, day, .. } = *request;
    let sign_off = SignOff { item, role, at_s, day, note_pieces };
    append(region, NewRecord::SignOff(sign_off))?;
    let seq = journal.older(region, &mut journal.newest())?.map_or(0, |newest| newest.seq);
    save(region, &mut area, &Settings { care: settings.care.signed(&sign_off, seq), ..settings })
}

/// Signs that the engine has run for `old_s` seconds by the hour meter or board before this one; tells what both show.
///
/// # Errors
/// The store cannot read or write the region, or a newer version has written its settings.
pub fn sign_meter(region: &mut RegionFlash, role: Role, old_s: u32) -> Result<MeterChange, StoreError> {
    let (mut area, settings) = open_settings(region)?;
    let change = MeterChange { role, old_s, new_s: running_s(region)? };
    let mut journal = open_journal(region, &settings)?;
    while journal.append(region, change.new_s, &NewRecord::Meter(change))? == Progress::Again {}
    save(region, &mut area, &Settings { meter: Some(change), ..settings })?;
    Ok(change)
}

/// Takes over the items and intervals of a profile. Writes nothing if they are those that the memory has, if the profile
/// has none, or if a newer version has written the settings.
///
/// # Errors
/// The store cannot read or write the region.
pub fn follow_profile(region: &mut RegionFlash, profile: &CarePlan) -> Result<(), StoreError> {
    if profile.is_empty() {
        return Ok(());
    }
    // Even opening writes something: the first act after power-up.
    let mut changed = region.clone();
    let (mut area, settings) = match open_settings(&mut changed) {
        Err(StoreError::Newer { .. }) => return Ok(()),
        opened => opened?,
    };
    let care = settings.care.follow(profile);
    if care != settings.care {
        save(&mut changed, &mut area, &Settings { care, ..settings })?;
        *region = changed;
    }
    Ok(())
}

fn open_settings(region: &mut RegionFlash) -> Result<(SettingsArea, Settings), StoreError> {
    let mut area = SettingsArea::new();
    area.open(region, Area::SETTINGS.start)?;
    while area.service(region, AT_THE_DESK)? != Work::Nothing {}
    let settings = area.load(region)?.unwrap_or_default();
    Ok((area, settings))
}

fn save(region: &mut RegionFlash, area: &mut SettingsArea, settings: &Settings) -> Result<(), StoreError> {
    while area.save(region, settings)? == Progress::Again {}
    Ok(())
}

/// The journal, ready to take entries of the present power-up.
fn open_journal(region: &mut RegionFlash, settings: &Settings) -> Result<Journal, StoreError> {
    let mut learned = LearnedArea::new();
    learned.open(region, Area::LEARNED.start)?;
    let mut journal = Journal::new();
    // The next power-up would have the number that the learned state tells.
    journal.open(region, Area::JOURNAL.start, learned.boot().saturating_sub(1))?;
    journal.use_key(settings.chain_key);
    while journal.service(region, AT_THE_DESK)? != Work::Nothing {}
    Ok(journal)
}

/// Running seconds of the engine. The area is made ready on a copy: nothing changes in it.
fn running_s(region: &RegionFlash) -> Result<u32, StoreError> {
    let mut copy = region.clone();
    let mut hours = HoursArea::new();
    hours.open(&mut copy, Area::HOURS.start, 0)?;
    while hours.saved().is_none() {
        let _ = hours.service(&mut copy, &monitor_core::ledger::Totals::NONE, AT_THE_DESK)?;
    }
    let running_ms = hours.saved().map_or(0, |totals| totals.all_running_ms());
    Ok(u32::try_from(running_ms / 1_000).unwrap_or(u32::MAX))
}

fn pieces(note: &str) -> Vec<NotePiece> {
    let most = usize::from(monitor_core::ledger::store::NOTE_PIECES);
    let chunks = note.as_bytes().chunks(NOTE_PIECE_BYTES).take(most);
    (0..)
        .zip(chunks)
        .map(|(number, chunk)| {
            let mut text = [0; NOTE_PIECE_BYTES];
            text[..chunk.len()].copy_from_slice(chunk);
            NotePiece { number, text }
        })
        .collect()
}
