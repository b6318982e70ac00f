//! The tables `[sensors]`, `[[trip]]`, `[[fault]]` and `[[near_miss]]`.

use monitor_core::acquire::Channel;
use monitor_core::finding::{Family, Finding};
use monitor_core::units::Quantity;
use toml::de::DeValue;

use super::{Bounds, Engines, FaultPlan, NearMissPlan, Plan, Span, TripPlan, number};
use crate::plant::Sea;
use crate::problem::Problem;
use crate::profile::section::{Section, kind_of};
use crate::simulate::days::Day;
use crate::simulate::faults::channels_of;
use crate::simulate::near_miss::Kind;
use crate::simulate::sensors::SensorSpec;
use crate::suggest;

const SECONDS: Bounds = Bounds::new(0.0, 1e7, "seconds");
const SHARE: Bounds = Bounds::new(0.0, 1.0, "");
const HOURS: Bounds = Bounds::new(0.0, 1e5, "hours");
/// Steps, noise and lags of sensors.
const SENSOR: Bounds = Bounds::new(0.0, 1e4, "");
/// Samples closer than these belong to no monitor, wider ones break the decision tick.
const INTERVAL: Bounds = Bounds::new(0.1, 2.0, "seconds");

const TRIP_KEYS: [&str; 13] = [
    "water_c",
    "air_c",
    "salinity",
    "plan",
    "minutes",
    "gap_h",
    "rest_h",
    "warm",
    "sea",
    "current_kn",
    "tow_n",
    "load_kg",
    "trim",
];
const FAULT_KEYS: [&str; 8] = ["finding", "trip", "onset_s", "severity", "end_s", "channel", "growth_s", "end_trip"];
const NEAR_MISS_KEYS: [&str; 5] = ["kind", "trip", "onset_s", "end_s", "severity"];

/// What `[sensors]` says.
pub(super) struct Settings {
    pub(super) interval_s: Span,
    pub(super) spikes_per_minute: Span,
    pub(super) noise: Span,
    pub(super) spec: SensorSpec,
}

pub(super) fn sensors(root: &Section<'_>, engines: &Engines) -> Result<Settings, Problem> {
    let mut spec = SensorSpec::default();
    // The meter's least flow is what the profile says of it.
    let flow_min = engines.first().profile.core.flow_min_or_default();
    spec.set(Channel::Flow, |flow| flow.least = f64::from(flow_min.raw()) / 1_000.0);
    let mut settings =
        Settings { interval_s: Span::only(1.0), spikes_per_minute: Span::only(0.0), noise: Span::only(1.0), spec };
    let names = Channel::ALL.map(Channel::name);
    let known: Vec<_> = ["interval_s", "spikes_per_minute", "noise"].into_iter().chain(names).collect();
    let Some(section) = root.section("sensors", &known)? else { return Ok(settings) };
    settings.interval_s = Span::or(&section, "interval_s", INTERVAL, 1.0)?;
    settings.spikes_per_minute = Span::or(&section, "spikes_per_minute", Bounds::new(0.0, 60.0, ""), 0.0)?;
    settings.noise = Span::or(&section, "noise", Bounds::new(0.0, 100.0, ""), 1.0)?;
    for channel in Channel::ALL {
        let Some(sensor) =
            section.section(channel.name(), &["noise", "noise_share", "trip_share", "step", "lag_s", "least"])?
        else {
            continue;
        };
        let read = |key| -> Result<Option<f64>, Problem> {
            sensor.value(key).map(|value| number(&sensor, key, value, SENSOR)).transpose()
        };
        let changes = [read("noise")?, read("noise_share")?, read("trip_share")?, read("lag_s")?, read("least")?];
        let step = read("step")?;
        if step.is_some_and(|step| step <= 0.0) {
            let cause = format!("{} must be above 0", sensor.joined("step"));
            return Err(sensor.problem_at("step", cause, "Give what the sensor's smallest change is"));
        }
        settings.spec.set(channel, |spec| {
            let places =
                [&mut spec.noise, &mut spec.noise_share, &mut spec.trip_share, &mut spec.lag_s, &mut spec.least];
            for (place, change) in places.into_iter().zip(changes) {
                *place = change.unwrap_or(*place);
            }
            spec.step = step.unwrap_or(spec.step);
        });
    }
    Ok(settings)
}

pub(super) fn trips(root: &Section<'_>) -> Result<Vec<TripPlan>, Problem> {
    let sections = root.tables("trip", &TRIP_KEYS)?;
    if sections.is_empty() {
        let cause = "The scenario has no trip";
        return Err(root.problem_at("trip", cause, "Add [[trip]] with water_c = 18.0 and plan = [[300, 750]]"));
    }
    if i16::try_from(sections.len()).is_err() {
        return Err(root.problem_at("trip", "The scenario has too many trips", "Give 32,767 at most"));
    }
    sections.iter().map(trip).collect()
}

fn trip(section: &Section<'_>) -> Result<TripPlan, Problem> {
    const CELSIUS: Bounds = Bounds::new(-2.0, 40.0, "°C");
    let sea = match section.word("sea", &["calm", "choppy", "rough"])? {
        Some("choppy") => Sea::CHOPPY,
        Some("rough") => Sea::ROUGH,
        _ => Sea::CALM,
    };
    Ok(TripPlan {
        water_c: Span::needed(section, "water_c", CELSIUS, "18.0")?,
        air_c: Span::read(section, "air_c", Bounds::new(-30.0, 55.0, "°C"))?,
        salinity_g_per_kg: Span::or(section, "salinity", Bounds::new(0.0, 45.0, "g/kg"), 35.0)?,
        plan: plan(section)?,
        gap_h: Span::or(section, "gap_h", HOURS, 0.0)?,
        rest_h: Span::or(section, "rest_h", HOURS, 12.0)?,
        warm: section.flag("warm")?.unwrap_or(false),
        sea,
        current_kn: Span::or(section, "current_kn", Bounds::new(-15.0, 15.0, "kn"), 0.0)?,
        tow_n: Span::or(section, "tow_n", Bounds::new(0.0, 1e5, "N"), 0.0)?,
        load_kg: Span::or(section, "load_kg", Bounds::new(0.0, 10_000.0, "kg"), 0.0)?,
        trim: Span::or(section, "trim", Bounds::new(-1.0, 1.0, ""), 0.0)?,
    })
}

fn plan(section: &Section<'_>) -> Result<Plan, Problem> {
    let remedy = "Write seconds and rpm as [[300, 750], [600, 3000]], or the name of a day in quotes";
    let Some(value) = section.value("plan") else { return Err(section.missing("plan", "[[300, 750], [600, 3000]]")) };
    match value.get_ref() {
        DeValue::String(_) => {
            let word = section.word("plan", &Day::ALL.map(Day::name))?;
            let Some(day) = word.and_then(Day::from_name) else {
                return Err(section.problem_at("plan", "The plan is not known", remedy));
            };
            let minutes = Span::or(section, "minutes", Bounds::new(1.0, 6_000.0, "minutes"), day.minutes())?;
            Ok(Plan::Day(day, minutes))
        }
        DeValue::Array(rows) => {
            if section.has("minutes") {
                let cause = format!("{} belongs to a day with a name", section.joined("minutes"));
                return Err(section.problem_at("minutes", cause, "Leave it out: the plan says its seconds itself"));
            }
            let mut steps = Vec::new();
            for row in rows.iter() {
                let pair = match row.get_ref() {
                    DeValue::Array(pair) => pair,
                    other => {
                        let cause = format!("{} holds {}, not a pair", section.joined("plan"), kind_of(other));
                        return Err(section.source().problem(row.span().start, cause, remedy));
                    }
                };
                let [seconds, rpm] = &pair[..] else {
                    let cause = format!("{} holds {} numbers, not 2", section.joined("plan"), pair.len());
                    return Err(section.source().problem(row.span().start, cause, remedy));
                };
                let seconds = number(section, "plan", seconds, SECONDS)?;
                steps.push((seconds, number(section, "plan", rpm, Bounds::new(0.0, 30_000.0, "rpm"))?));
            }
            if steps.iter().all(|(seconds, _)| *seconds <= 0.0) {
                return Err(section.problem_at("plan", "The plan takes no time", remedy));
            }
            Ok(Plan::Steps(steps))
        }
        other => {
            let cause = format!("{} is {}, not a plan", section.joined("plan"), kind_of(other));
            Err(section.problem_at("plan", cause, remedy))
        }
    }
}

pub(super) fn faults(root: &Section<'_>, trips: &[TripPlan]) -> Result<Vec<FaultPlan>, Problem> {
    root.tables("fault", &FAULT_KEYS)?.iter().map(|section| fault(section, trips)).collect()
}

fn fault(section: &Section<'_>, trips: &[TripPlan]) -> Result<FaultPlan, Problem> {
    let names = Finding::ALL.map(Finding::name);
    let Some(finding) = section.word("finding", &names)?.and_then(Finding::from_name) else {
        return Err(section.missing("finding", "\"intake-blocked\""));
    };
    let trip = trip_number(section, "trip", trips)?.ok_or_else(|| section.missing("trip", "0"))?;
    let plan = FaultPlan {
        finding,
        channel: channel(section, finding)?,
        trip,
        onset_s: Span::needed(section, "onset_s", SECONDS, "120.0")?,
        severity: Span::needed(section, "severity", SHARE, "0.8")?,
        growth_s: Span::read(section, "growth_s", Bounds::new(0.0, 1e9, "seconds"))?,
        end_s: Span::read(section, "end_s", SECONDS)?,
        end_trip: trip_number(section, "end_trip", trips)?.unwrap_or(trip),
    };
    if section.has("end_trip") && plan.end_s.is_none() {
        let cause = format!("{} stands without end_s", section.joined("end_trip"));
        return Err(section.problem_at(
            "end_trip",
            cause,
            "Say when in that trip it ends: end_s = 0 is before it begins",
        ));
    }
    if plan.end_trip < trip {
        let cause = format!("{} lies before the fault begins", section.joined("end_trip"));
        return Err(section.problem_at("end_trip", cause, format!("Give a trip from {trip}")));
    }
    begins_in_its_trip(section, plan.onset_s, trip, trips)?;
    ends_after_onset(section, plan.end_s.filter(|_| plan.end_trip == trip), plan.onset_s)?;
    Ok(plan)
}

fn channel(section: &Section<'_>, finding: Finding) -> Result<Option<Channel>, Problem> {
    let Some(possible) = channels_of(finding) else {
        if finding.family() != Family::Sensor && section.has("channel") {
            let cause = format!("{} belongs to sensor findings only", section.joined("channel"));
            return Err(section.problem_at(
                "channel",
                cause,
                format!("Leave it out: {} has no channel", finding.name()),
            ));
        }
        return Ok(None);
    };
    let names: Vec<_> = possible.iter().map(|channel| channel.name()).collect();
    match section.text("channel")? {
        None => Err(section.missing("channel", "\"head\"")),
        Some(name) => match Channel::from_name(name).filter(|channel| possible.contains(channel)) {
            Some(channel) => Ok(Some(channel)),
            None => {
                let cause = format!("{} cannot be provoked on the channel \"{name}\"", finding.name());
                Err(section.problem_at("channel", cause, suggest::remedy(name, &names)))
            }
        },
    }
}

pub(super) fn near_misses(root: &Section<'_>, trips: &[TripPlan]) -> Result<Vec<NearMissPlan>, Problem> {
    root.tables("near_miss", &NEAR_MISS_KEYS)?.iter().map(|section| near_miss(section, trips)).collect()
}

fn near_miss(section: &Section<'_>, trips: &[TripPlan]) -> Result<NearMissPlan, Problem> {
    let Some(kind) = section.word("kind", &Kind::ALL.map(Kind::name))?.and_then(Kind::from_name) else {
        return Err(section.missing("kind", "\"gusts\""));
    };
    let trip = trip_number(section, "trip", trips)?.ok_or_else(|| section.missing("trip", "0"))?;
    let plan = NearMissPlan {
        kind,
        trip,
        onset_s: Span::or(section, "onset_s", SECONDS, 0.0)?,
        end_s: Span::read(section, "end_s", SECONDS)?,
        severity: Span::or(section, "severity", SHARE, 1.0)?,
    };
    begins_in_its_trip(section, plan.onset_s, trip, trips)?;
    ends_after_onset(section, plan.end_s, plan.onset_s)?;
    Ok(plan)
}

fn trip_number(section: &Section<'_>, key: &str, trips: &[TripPlan]) -> Result<Option<i16>, Problem> {
    let Some(value) = section.value(key) else { return Ok(None) };
    let last = trips.len().saturating_sub(1);
    let remedy = format!("Give a whole number from 0 to {last}: the first [[trip]] is trip 0");
    let wanted = match value.get_ref() {
        DeValue::Integer(integer) => i16::from_str_radix(integer.as_str(), integer.radix()).ok(),
        other => {
            let cause = format!("{} is {}, not a whole number", section.joined(key), kind_of(other));
            return Err(section.problem_at(key, cause, remedy));
        }
    };
    match wanted.filter(|trip| usize::try_from(*trip).is_ok_and(|trip| trip <= last)) {
        Some(trip) => Ok(Some(trip)),
        None => Err(section.problem_at(key, format!("There is no such trip in {}", section.joined(key)), remedy)),
    }
}

fn ends_after_onset(section: &Section<'_>, end_s: Option<Span>, onset_s: Span) -> Result<(), Problem> {
    if end_s.is_some_and(|end_s| end_s.low() <= onset_s.high()) {
        let cause = format!("{} is not after onset_s", section.joined("end_s"));
        return Err(section.problem_at("end_s", cause, "Give a later end, or leave it out: then it stays"));
    }
    Ok(())
}

/// A fault that begins after its trip would be labelled and never happen.
fn begins_in_its_trip(section: &Section<'_>, onset_s: Span, trip: i16, trips: &[TripPlan]) -> Result<(), Problem> {
    let plan = usize::try_from(trip).ok().and_then(|trip| trips.get(trip)).map(|trip| &trip.plan);
    let long_s = match plan {
        Some(Plan::Steps(steps)) => steps.iter().map(|(seconds, _)| seconds).sum(),
        Some(Plan::Day(_, minutes)) => minutes.low() * 60.0,
        None => return Ok(()),
    };
    if onset_s.high() >= long_s {
        let cause = format!("{} lies after the end of trip {trip} ({long_s} s)", section.joined("onset_s"));
        return Err(section.problem_at("onset_s", cause, "Give an earlier onset, or make the trip longer"));
    }
    Ok(())
}
