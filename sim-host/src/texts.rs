//! Every sentence that a user of the timeline reads, in one place: another language is another copy of this file.
//!
//! The core knows names and check ids; what they mean to a mechanic stands here. Sentences say what to look at, never
//! more than the monitor can know.

use std::path::Path;

use crate::commission::Gap;
use crate::doubt::Doubt;
use crate::problem::{Exit, Problem};
use crate::quality::AlarmQuality;
use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::calibration::Calibration;
use monitor_core::detect::Unavailable;
use monitor_core::event::{AlarmState, Event, EvidenceKey, State};
use monitor_core::finding::{Finding, Level};
use monitor_core::ledger::Band;

use crate::ledger::Ledger;
use crate::memory::Salvage;
use crate::profile::Assumed;
use crate::suggest;

mod sensors;
mod service;
mod walk_round;

pub use sensors::calibrations;
pub(crate) use sensors::picos;
pub use service::{
    CANNOT_KNOW, DATE_UNKNOWN, NEVER_SIGNED, NO_PLAN, SHEET_GENERIC, SHEET_PLAN, SHEET_RECORD, SHEET_SIGN,
    SHEET_SUMMED, SHEET_TITLE, SHEET_WALK, SHEET_WHO, at_hours_remedy, calendar_description, calendar_summary, chain,
    clock_step, due, left_out_of_calendar, meter_signed, not_in_plan, older_meter, signed, went_back,
};
pub use walk_round::{AREAS, Area, generic_intervals};

/// What stands once beside all advice.
pub const CAUTIONS: &str = "This monitor advises; it never stops or slows the engine, and a silent monitor proves \
    nothing. Follow the engine's handbook, local rules and a qualified mechanic. Beware of hot water and hot metal, \
    moving propellers, fuel vapour and exhaust gas. Never run an engine without cooling water.";

/// Why a memory is as it was.
pub const MEMORY_NOT_REPLACED: &str = "the memory was left as it was, because a trace could not be used; replay all of \
    them again when it can";

/// A commissioning run of which nothing can be learned.
#[must_use]
pub fn nothing_to_learn(file: &Path, on_hose: bool) -> Problem {
    let cause = if on_hose {
        "Nothing can be learned of this commissioning run: the engine was on a hose, whose pressure hides the pump"
    } else {
        "Nothing can be learned of this commissioning run: the engine was never held at one speed for long enough"
    };
    let remedy = "Commission afloat and in gear: warm the engine up, then five minutes at idle and two minutes each near \
        40, 60 and 80 % of rated speed";
    Problem::new(Exit::Unreadable, cause, remedy).in_file(file)
}

/// Something that a commissioning run held too little of, and what it costs.
#[must_use]
pub fn commissioning_gap(gap: &Gap) -> String {
    let band = if gap.band == Band::Idle { "at warm idle" } else { "in the band " };
    let name = if gap.band == Band::Idle { "" } else { gap.band.name() };
    let costs: Vec<&str> = gap.costs.iter().map(|finding| finding.name()).collect();
    format!(
        "the commissioning run holds {} s {band}{name}, {} s are wanted; until the engine was seen there, these are found \
         late or not: {}",
        gap.seconds,
        gap.wanted_s,
        costs.join(", ")
    )
}

/// How much of a memory could not be read.
#[must_use]
pub fn damaged_memory(places: u16) -> String {
    let records = if places == 1 { "record" } else { "records" };
    format!("{places} damaged {records} in the memory could not be read and were passed over")
}

/// Stands where a sector of hours was lost.
pub const HOURS_MAY_BE_OLDER: &str = "a sector of hours could not be read: the hours may be older than the engine's";

/// The journal is ahead of the hours.
#[must_use]
pub fn hours_are_older(hours_s: u64, journal_s: u32) -> String {
    format!("only older hours can be read: {hours_s} s, while the journal shows at least {journal_s} s of running")
}

/// What was found in a dump.
#[must_use]
pub fn recovered(salvaged: &Salvage, ledger: &Ledger) -> String {
    format!(
        "Recovered {} of 16 sectors: {} s of running, {} starts, {} events.",
        salvaged.sectors,
        ledger.totals.all_running_ms() / 1_000,
        ledger.totals.starts,
        ledger.events.len()
    )
}

/// What of a dump was left out, and what was mended, one sentence each.
#[must_use]
pub fn salvage_losses(salvaged: &Salvage) -> Vec<String> {
    let mut losses = Vec::new();
    let mut say = |said: bool, text: String| {
        if said {
            losses.push(text);
        }
    };
    say(salvaged.had_header, "the header of a memory file was left out".to_owned());
    say(salvaged.missing_bytes > 0, format!("the dump is {} bytes short", salvaged.missing_bytes));
    say(salvaged.surplus_bytes > 0, format!("{} bytes behind the region were left out", salvaged.surplus_bytes));
    say(salvaged.moved > 0, format!("{} sectors stood at a wrong place and were put back", salvaged.moved));
    say(
        !salvaged.unreadable.is_empty(),
        format!("no record can be read in a sector of: {}", salvaged.unreadable.join(", ")),
    );
    say(
        !salvaged.doubled.is_empty(),
        format!("two sectors claim one place, and one was left out: {}", salvaged.doubled.join(", ")),
    );
    say(
        salvaged.mended_hours > 0,
        format!(
            "the beginning of a sector of hours is gone; its {} records were added to the hours of the sector before, which \
             is the least that the engine has run",
            salvaged.mended_hours
        ),
    );
    say(
        salvaged.useless_hours > 0,
        format!(
            "{} hours records were left out: the beginning of their sector is gone, and no other tells what they add to",
            salvaged.useless_hours
        ),
    );
    losses
}

/// Heads the findings that cannot be found.
pub const NOT_POSSIBLE: &str = "Cannot be found here";

/// Stands before the first checks.
pub const FIRST: &str = "What to do first:";

/// Stands instead of first checks that were all shown before.
pub const FIRST_AS_BEFORE: &str = "What to do first: as above.";

/// Stands before the first checks of which some were shown before.
pub const FIRST_AS_BEFORE_AND: &str = "What to do first: as above, and:";

const UNKNOWN: &str = "unknown";

/// The finding in plain words, with the item of the service plan that it is about.
#[must_use]
pub fn finding_of(event: &Event) -> String {
    let what = finding(event.finding, event.channel);
    match event.item {
        Some(item) => format!("{what}: {}", item.name()),
        None => what,
    }
}

/// The finding in plain words, without a full stop.
#[must_use]
pub fn finding(finding: Finding, sensor: Option<Channel>) -> String {
    let sensor = sensor.map_or("A", sensor_name);
    match finding {
        Finding::SensorOpen => return format!("{sensor} sensor gives no signal"),
        Finding::SensorShort => return format!("{sensor} sensor is shorted"),
        Finding::SensorStuck => return format!("{sensor} sensor is stuck"),
        Finding::SensorNoisy => return format!("{sensor} sensor is noisy"),
        Finding::SensorDrift => return format!("{sensor} sensor drifts"),
        Finding::SensorMiscount => return format!("{sensor} sensor miscounts"),
        _ => {}
    }
    plain_finding(finding).to_owned()
}

fn plain_finding(finding: Finding) -> &'static str {
    match finding {
        Finding::ChargeLost => "The battery is not being charged",
        Finding::DryStart => "No cooling water has come since the start",
        Finding::FuelOld => "The fuel is old",
        Finding::HeadClimbing => "The head is heating up fast",
        Finding::HeadOverLimit => "The head is too hot",
        Finding::HubSlipping => "The propeller hub slips",
        Finding::ImpellerWorn => "The impeller is worn",
        Finding::IntakeBlocked => "The water intake is blocked",
        Finding::OilPressureLow => "The oil pressure is too low",
        Finding::OverSpeed => "Engine speed is over the handbook's maximum",
        Finding::RunningUnsteady => "The engine runs unsteadily: fuel first",
        Finding::ServiceDue => "Service is due",
        Finding::StreamLost => "The stream of cooling water has gone",
        Finding::TelltalePlugged => "Telltale plugged or its meter jammed",
        Finding::ThermostatStuckClosed => "The thermostat does not open",
        Finding::ThermostatStuckOpen => "The thermostat does not close",
        Finding::VaneLost => "The impeller has lost a vane",
        Finding::WaterwayFouled => "Salt or lime narrows the waterways",
        Finding::WeakConnection => "A connection is weak: the voltage drops",
        Finding::SensorDrift
        | Finding::SensorMiscount
        | Finding::SensorNoisy
        | Finding::SensorOpen
        | Finding::SensorShort
        | Finding::SensorStuck => "A sensor is at fault",
    }
}

fn sensor_name(channel: Channel) -> &'static str {
    match channel {
        Channel::Rpm => "The engine speed",
        Channel::Head => "The head temperature",
        Channel::Flow => "The telltale flow",
        Channel::Supply => "The supply voltage",
        Channel::Speed => "The boat speed",
        Channel::Water => "The water temperature",
        Channel::Oil => "The oil pressure",
    }
}

/// How bad it is.
#[must_use]
pub fn level(level: Level) -> &'static str {
    match level {
        Level::Alarm => "ALARM",
        Level::Warning => "WARNING",
        Level::Caution => "caution",
    }
}

/// What happened to a finding that was raised before.
#[must_use]
pub fn later_state(state: State, alarm_state: AlarmState, new_level: Level, by: Option<&str>) -> String {
    match state {
        State::Raised => level(new_level).to_owned(),
        State::LevelChanged => format!("now {}", level(new_level)),
        State::Silenced => "sound off for 30 s".to_owned(),
        State::Acknowledged if alarm_state == AlarmState::Latched => "noted; waits for reset".to_owned(),
        State::Acknowledged => "noted".to_owned(),
        State::Shelved => "put aside for a while".to_owned(),
        State::Unshelved => "no longer put aside".to_owned(),
        State::Suppressed => "kept quiet".to_owned(),
        State::Unsuppressed => "no longer kept quiet".to_owned(),
        State::OutOfService => "taken out of service".to_owned(),
        State::InService => "back in service".to_owned(),
        State::Cleared => match alarm_state {
            AlarmState::ReturnedUnacknowledged => "ended; nobody took note".to_owned(),
            AlarmState::Latched => "ended; stays on record until noted and reset".to_owned(),
            _ => "ended".to_owned(),
        },
        State::Reset if alarm_state == AlarmState::Latched => "reset; waits to be noted".to_owned(),
        State::Reset => "reset".to_owned(),
        State::Replaced => by.map_or("cause found".to_owned(), |cause| format!("cause found: {cause}")),
    }
}

/// A measured value; `number` is already rounded for reading.
#[must_use]
pub fn value(channel: Channel, number: Option<&str>) -> String {
    format!("{} {} {}", value_name(channel), number.unwrap_or(UNKNOWN), unit(channel))
}

/// What is normal for this engine.
#[must_use]
pub fn normal(channel: Channel, number: Option<&str>) -> String {
    format!("normal {} {}", number.unwrap_or(UNKNOWN), unit(channel))
}

/// The limit that applies.
#[must_use]
pub fn limit(channel: Channel, number: Option<&str>) -> String {
    format!("limit {} {}", number.unwrap_or(UNKNOWN), unit(channel))
}

/// Running hours to the renewal of the impeller, with its interval.
#[must_use]
pub fn hours_left(hours: Option<&str>, low: Option<&str>, high: Option<&str>) -> String {
    match (hours, low, high) {
        (Some(hours), Some(low), Some(high)) => format!("to be renewed in {hours} h ({low} to {high})"),
        (Some(hours), Some(low), None) => format!("to be renewed in {hours} h ({low} at the earliest)"),
        _ => "when it has to be renewed cannot be said yet".to_owned(),
    }
}

/// When the limit will be reached, in seconds: most likely, at the earliest, at the latest.
#[must_use]
pub fn time_to_limit(likely: Option<&str>, earliest: Option<&str>, latest: Option<&str>) -> String {
    match (likely, earliest, latest) {
        (Some(likely), Some(low), Some(high)) => format!("limit in about {likely} s ({low} to {high} s)"),
        (Some(likely), Some(low), None) => format!("limit in about {likely} s ({low} s or more)"),
        (Some(likely), None, _) => format!("limit in about {likely} s"),
        (None, Some(low), _) => format!("limit not before {low} s"),
        (None, None, _) => "no estimate of the time to the limit".to_owned(),
    }
}

/// Stands over the chart of a channel.
#[must_use]
pub fn chart_title(channel: Channel) -> String {
    let name = sensor_name(channel);
    let name = name.strip_prefix("The ").unwrap_or(name);
    let mut letters = name.chars();
    let first = letters.next().map(|letter| letter.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}, {}", letters.as_str(), unit(channel))
}

fn value_name(channel: Channel) -> &'static str {
    match channel {
        Channel::Rpm => "engine",
        Channel::Head => "head",
        Channel::Flow => "telltale",
        Channel::Supply => "supply",
        Channel::Speed => "boat",
        Channel::Water => "water",
        Channel::Oil => "oil",
    }
}

fn unit(channel: Channel) -> &'static str {
    match channel {
        Channel::Rpm => "rpm",
        Channel::Head | Channel::Water => "°C",
        Channel::Flow => "L/min",
        Channel::Supply => "V",
        Channel::Speed => "kn",
        Channel::Oil => "kPa",
    }
}

/// What might explain it: plain words and shares in per cent, by falling share.
#[must_use]
pub fn candidates(causes: &[(Finding, u8)]) -> String {
    let causes: Vec<_> = causes.iter().map(|(cause, share)| format!("{} ({share} %)", plain_finding(*cause))).collect();
    format!("Likely: {}", causes.join("; "))
}

/// The first check with that id; an id without a text is shown as it is.
#[must_use]
pub fn check(id: &'static str) -> &'static str {
    match id {
        "ease-off" => "Ease off to idle as soon as that is safe.",
        "look-astern" => "Look astern: does water come from the telltale?",
        "burst-astern" => "Out of gear. Clear of traffic and swimmers, a short burst astern may free weed.",
        "stop-when-safe" => "No water, or still too hot, within what the handbook allows: stop when that is safe.",
        "key-out" => "Kill switch and key out before you touch the leg. A warm engine may start.",
        "let-it-cool" => "No cold water on a hot block: let it cool before you start again.",
        "look-at-intake" => "Look at the water intake: weed, plastic, mud, mounted or trimmed too high.",
        "look-at-impeller" => "Look at the impeller. Vane lost: do not run again until every piece is found.",
        "clear-telltale" => "Clear the telltale outlet: sand, salt, insects, hose off. Watch the head meanwhile.",
        "look-at-thermostat" => "Take the thermostat out and see whether it opens in hot water.",
        "stop-engine-oil" => "Stop the engine as soon as that is safe: without oil pressure it will not last.",
        "look-at-oil-level" => "Look at the oil level and for leaks.",
        "ease-off-revs" => "Ease off until the revs are back under the maximum.",
        "look-at-propeller" => "Key out, then look at the propeller: blades, hub, pitch, depth.",
        "look-at-battery" => "Measure the battery at rest: 12.6 V or more when it is full.",
        "look-at-terminals" => "Open, clean and tighten battery terminals, earth strap and plugs.",
        "look-at-charging" => "Measure at the battery at 2,500 rpm: 13 V or more. Leave its switch on meanwhile.",
        "look-at-loom" => "Look at loom and coils next to the block: insulation may have melted.",
        "look-at-sensor-lead" => "Look at this sensor's lead and plug: broken, loose, green, wet.",
        "look-at-sensor" => "Compare this sensor with a meter; renew it if they differ.",
        other => other,
    }
}

/// A value that the profile leaves out and what stands for it.
#[must_use]
pub fn assumed(what: Assumed) -> &'static str {
    match what {
        Assumed::RatedRpm => "rated_rpm is not given: max_rpm stands for it. No finding is lost.",
        Assumed::HeadLimit => {
            "head_limit_c is not given: 90 °C is used, common practice. head-over-limit and head-climbing are less sure."
        }
        Assumed::ChargingMin => {
            "charging_min_v is not given: 13.0 V is used, common practice. charge-lost is less sure."
        }
        Assumed::Fitted => "[channels] is not given: every channel counts as fitted.",
    }
}

/// What one trip came to: `running` and the counts of starts and rows.
#[must_use]
pub fn trip_total(trip: i16, file: &str, running: &str, starts: u64, rows: u64, findings: u64) -> String {
    let starts = counted(starts, "start", "starts");
    let rows = counted(rows, "row", "rows");
    let findings = match findings {
        0 => "no findings".to_owned(),
        some => counted(some, "finding", "findings"),
    };
    format!("Trip {trip}, {file}: ran {running}, {starts}, {findings}, {rows} read")
}

/// Why less of a trip was judged than its totals look like.
#[must_use]
pub fn doubt(doubt: Doubt) -> String {
    match doubt {
        Doubt::NeverRan { fastest_rpm, running_from_rpm } => format!(
            "the engine never ran, so hardly anything was judged: its speed reached {fastest_rpm} rpm at most, and \
             running begins at {running_from_rpm} rpm (0.7 × idle). Check idle_rpm and the unit of the rpm column"
        ),
        Doubt::Holes { holes, intervals } if holes * 2 > intervals => format!(
            "most engine speeds ({holes} of {intervals}) come more than 5 s after the one before: nothing can be judged \
             across such holes. Record at least every 5 s; if the stamps are milliseconds, map them with unit = \"ms\""
        ),
        Doubt::Holes { holes, .. } => format!(
            "{} of more than 5 s without an engine speed: nothing is known of them, and what follows counts as a new \
             start",
            counted(holes, "hole", "holes")
        ),
        Doubt::ClockBack { times } => {
            format!("the clock stepped back {}: no time was counted there", counted(times, "time", "times"))
        }
        Doubt::Markers { channel, value, rows } => format!(
            "{} is exactly {value} in {}, which often means that nothing was measured; it was taken as it stands",
            sensor_name(channel).to_lowercase(),
            counted(rows, "row", "rows")
        ),
        Doubt::IdleStreamUnread => {
            "at idle the telltale stream was not seen to be strong enough for its meter: no water at \
                                    idle proves nothing, only the head guards there"
                .to_owned()
        }
        Doubt::Lost { count } => {
            format!(
                "{} too many at once: the least important were left out",
                counted(u64::from(count), "event", "events")
            )
        }
    }
}

/// Rows that were not used, by cause.
#[must_use]
pub fn rows_skipped(causes: &[(&str, u64)]) -> String {
    let total = causes.iter().map(|(_, rows)| rows).sum();
    let causes: Vec<_> = causes.iter().map(|(cause, rows)| format!("{cause} {rows}")).collect();
    format!("{} skipped ({})", counted(total, "row", "rows"), causes.join(", "))
}

/// Columns that nothing was done with, and which channel each may have been meant to be.
///
/// A channel that the trace has already is no suggestion: there would be two of it.
#[must_use]
pub fn unknown_columns(columns: &[String], present: ChannelSet) -> String {
    let absent = Channel::ALL.into_iter().filter(|channel| !present.contains(*channel));
    let known: Vec<_> = absent.map(|channel| EvidenceKey::Value(channel).name()).collect();
    let mut any_near = false;
    let names: Vec<_> = columns
        .iter()
        .map(|name| match suggest::nearest(name, &known) {
            Some(near) => {
                any_near = true;
                format!("{name} (did you mean {near}?)")
            }
            None => name.clone(),
        })
        .collect();
    let remedy = if any_near { ". Rename a column where its unit is right too, or map it with --columns" } else { "" };
    format!("columns that are not known and were passed over: {}{remedy}", names.join(", "))
}

/// Heads the map that was guessed.
#[must_use]
pub fn guessed_columns(file: &str, rows: u64) -> String {
    let rows = counted(rows, "row", "rows");
    format!("guessed from {rows} of {file}; look the map over, then keep it with --write-columns")
}

/// A row that was not used.
#[must_use]
pub fn bad_row(cause: &str) -> String {
    format!("row not used: {cause}")
}

/// Why a finding cannot be found, with the trips it holds for where it does not hold for all `trip_count` of them.
#[must_use]
pub fn why_in_trips(why: Unavailable, trips: &[i16], trip_count: usize) -> String {
    const NAMED: usize = 8;
    let why = self::why(why);
    if trips.len() == trip_count {
        return why;
    }
    let names: Vec<_> = trips.iter().take(NAMED).map(i16::to_string).collect();
    let more = if trips.len() > NAMED { " and others" } else { "" };
    format!("in trip {}{more}: {why}", names.join(", "))
}

/// Why a finding cannot be found.
#[must_use]
pub fn why(why: Unavailable) -> String {
    match why {
        Unavailable::NotFitted(channel) => format!("the profile says that {} has no sensor", channel.name()),
        Unavailable::NotRecorded(channel) => {
            format!("the trace has no column for {} ({})", channel.name(), EvidenceKey::Value(channel).name())
        }
        Unavailable::NoElectricSystem => "the profile has no section [electric]".to_owned(),
        Unavailable::NoLeastOilPressure => "the profile does not give oil_min_kpa".to_owned(),
        Unavailable::NoThermostat => "the profile has no thermostat (engine.thermostat_opens_c)".to_owned(),
        Unavailable::NoServicePlan => "the profile has no section care".to_owned(),
        Unavailable::NoClock => "nobody tells the time of day".to_owned(),
        _ => "the monitor does not say why".to_owned(),
    }
}

/// What was measured at the sensors, and that it changes nothing here.
#[must_use]
pub fn calibration_note(calibration: &Calibration) -> String {
    let known: Vec<_> =
        calibrations(calibration).into_iter().map(|(channel, words)| format!("{}: {words}", channel.name())).collect();
    format!(
        "calibration for a board: {}. The values of a trace are calibrated already and are taken as they are.",
        known.join("; ")
    )
}

/// Requests that changed nothing.
#[must_use]
pub fn actions_without_effect(count: u64) -> String {
    format!("{} without effect", counted(count, "action", "actions"))
}

/// How the alarms behaved, for whoever has to live with them.
#[must_use]
pub fn alarm_quality(alarms: &AlarmQuality) -> String {
    let rate = alarms.hundredths_per_10_min();
    let mut text = format!(
        "Alarm quality: {}.{:02} findings per 10 min on average (1 to 2 are manageable), {} at most",
        rate / 100,
        rate % 100,
        alarms.most_in_10_min
    );
    for (what, findings) in [("chattering", &alarms.chattering), ("standing for over a day", &alarms.stale)] {
        if !findings.is_empty() {
            text = format!("{text}; {what}: {}", findings.join(", "));
        }
    }
    text + "."
}

/// Heads the events of one trip.
#[must_use]
pub fn trip_heading(trip: i16, file: &str, boat: Option<&str>) -> String {
    let boat = boat.map_or_else(String::new, |name| format!("{name}, "));
    let trip = if trip < 0 { "commissioning run".to_owned() } else { format!("trip {trip}") };
    format!("{boat}{trip}, {file} (hours:minutes:seconds from its first row)")
}

fn counted(count: u64, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
