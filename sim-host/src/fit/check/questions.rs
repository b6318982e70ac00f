//! What does not look right in a profile. Numbers without another source are common practice.

use monitor_core::acquire::Channel;
use monitor_core::calibration::HeadSensor;
use monitor_core::profile::Telltale;

use crate::fit::Remark;
use crate::fit::flow::USUAL_PER_LITRE;
use crate::profile::HostProfile;
use crate::texts;

/// Least distance in kelvin between a thermostat that opens and a limit that means something.
const LEAST_HEADROOM_K: f64 = 15.0;
/// Above this, in °C, the oil film and the gasket suffer before the monitor speaks.
const HIGH_LIMIT_C: f64 = 110.0;
/// Idles of outboards in neutral, rpm.
const USUAL_IDLE: std::ops::RangeInclusive<f64> = 500.0..=1_300.0;
/// No outboard is let run faster, rpm.
const HIGH_MAX_RPM: f64 = 8_000.0;
/// The handbook's greatest speed over the speed at rated power.
const WIDE_MAX: f64 = 1.25;
/// Volts at 2,000 rpm and more: not above 12.6 is not charging, a good one gives 14.0 to 14.5.
const USUAL_CHARGING_V: std::ops::RangeInclusive<f64> = 12.7..=14.0;
/// A telltale at idle gives about 0.5 to 1 L/min (from memory, low confidence).
const IDLE_STREAM_LPM: f64 = 0.5;
/// Pulses of a revolution up to 24 poles.
const MOST_PULSES: f64 = 12.0;
/// A table should reach over the limit by this, in kelvin.
const TABLE_BEYOND_K: f64 = 10.0;

/// The questions, in the order of the profile.
pub(super) fn of(profile: &HostProfile) -> Vec<Remark> {
    let assumed = profile.assumed.iter().map(|what| Some(Remark::new("assumed", texts::assumed(*what))));
    let mut found: Vec<Option<Remark>> = assumed.collect();
    found.extend(engine(profile));
    found.extend(water(profile));
    found.extend(electric(profile));
    found.extend(calibration(profile));
    found.into_iter().flatten().collect()
}

fn when(holds: bool, id: &'static str, text: impl FnOnce() -> String) -> Option<Remark> {
    holds.then(|| Remark::new(id, text()))
}

fn engine(profile: &HostProfile) -> Vec<Option<Remark>> {
    let core = &profile.core;
    let rpm = |speed: monitor_core::units::Rpm| f64::from(speed.as_quarter_rpm()) / 4.0;
    let celsius = |at: monitor_core::units::Temperature| f64::from(at.as_millicelsius()) / 1_000.0;
    let (idle, max) = (rpm(core.idle), rpm(core.max));
    let headroom = core.head_limit.zip(core.thermostat_opens).map(|(limit, opens)| celsius(limit) - celsius(opens));
    vec![
        when(!USUAL_IDLE.contains(&idle), "idle", || {
            format!(
                "engine.idle_rpm = {idle:.0} is unusual: running begins at 0.7 of it, so a wrong idle miscounts hours. \
                     Take it from the handbook: warm, in neutral."
            )
        }),
        when(max > HIGH_MAX_RPM, "max", || {
            format!("engine.max_rpm = {max:.0} is faster than outboards are let run: over-speed would never be found.")
        }),
        when(core.rated.is_some_and(|rated| max > WIDE_MAX * rpm(rated)), "max", || {
            "engine.max_rpm is over a quarter above rated_rpm: is it the handbook's greatest permitted speed?"
                .to_owned()
        }),
        when(headroom.is_some_and(|headroom| headroom < LEAST_HEADROOM_K), "headroom", || {
            format!(
                "engine.head_limit_c is only {:.0} K above thermostat_opens_c: a warm engine would come near it. Take \
                     the limit at your sensor's place: the normal temperature there and 20 K.",
                headroom.unwrap_or(0.0)
            )
        }),
        when(core.head_limit.is_some_and(|limit| celsius(limit) > HIGH_LIMIT_C), "head-limit", || {
            "engine.head_limit_c is over 110 °C: the head is hurt before that. Is it in °C and at the head?".to_owned()
        }),
        when(core.strokes == 2 && core.fitted.contains(Channel::Oil), "oil", || {
            "A two-stroke has no oil pressure to measure: take \"oil\" out of channels.fitted.".to_owned()
        }),
        when(core.oil_min.is_some() && !core.fitted.contains(Channel::Oil), "oil", || {
            "engine.oil_min_kpa is given, but no oil sensor is fitted.".to_owned()
        }),
    ]
}

fn water(profile: &HostProfile) -> Vec<Option<Remark>> {
    let core = &profile.core;
    let has = |channel| core.fitted.contains(channel);
    let least = f64::from(core.flow_min_or_default().as_millilitres_per_minute()) / 1_000.0;
    vec![
        when(has(Channel::Flow) && core.telltale == Telltale::Unknown, "telltale", || {
            "water.telltale is unknown: before or after the thermostat decides what a thin stream means.".to_owned()
        }),
        when(has(Channel::Flow) && least > IDLE_STREAM_LPM, "flow-min", || {
            format!(
                "The flow meter begins at {least} L/min, but many telltales give {IDLE_STREAM_LPM} L/min at idle: no water \
                     at idle could not be told from little. Fit a meter that begins lower."
            )
        }),
        when(!has(Channel::Flow), "no-flow", || {
            "No flow meter: lost water shows only by the heat that follows.".to_owned()
        }),
        when(
            has(Channel::Speed) && (core.gear_ratio_milli.is_none() || core.prop_pitch_milli_inch.is_none()),
            "drive",
            || {
                "Speed is fitted, but [drive] lacks gear_ratio or prop_pitch_in: a slipping hub cannot be told."
                    .to_owned()
            },
        ),
    ]
}

fn electric(profile: &HostProfile) -> Vec<Option<Remark>> {
    let core = &profile.core;
    let has = core.fitted.contains(Channel::Supply);
    let charging = core.electric.map(|electric| f64::from(electric.charging_min.as_millivolts()) / 1_000.0);
    vec![
        when(charging.is_some_and(|volts| !USUAL_CHARGING_V.contains(&volts)), "charging-min", || {
            format!(
                "electric.charging_min_v = {} is unusual: at 2,000 rpm an engine that charges shows 13.0 V or more, \
                     one that does not 12.6 V or less.",
                charging.unwrap_or(0.0)
            )
        }),
        when(core.electric.is_some() && !has, "supply", || {
            "[electric] is given, but no supply sensor is fitted.".to_owned()
        }),
    ]
}

fn calibration(profile: &HostProfile) -> Vec<Option<Remark>> {
    let core = &profile.core;
    let known = &profile.calibration;
    let rpm = known.rpm.map(|ratio| f64::from(ratio.pulses()) / f64::from(ratio.revolutions()));
    let flow = known.flow.map(|pulses| f64::from(pulses.per_litre_milli) / 1_000.0);
    let mut found: Vec<_> = [
        (Channel::Rpm, known.rpm.is_some(), "tacho"),
        (Channel::Head, known.head.is_some(), "thermistor"),
        (Channel::Flow, known.flow.is_some(), "flow"),
        (Channel::Supply, known.supply.is_some(), ""),
    ]
    .into_iter()
    .map(|(channel, is_known, command)| uncalibrated(channel, core.fitted.contains(channel), is_known, command))
    .collect();
    found.push(when(rpm.is_some_and(|pulses| pulses > MOST_PULSES || (pulses * 2.0).fract() != 0.0), "pulses", || {
        let pulses = rpm.unwrap_or(0.0);
        format!("calibration.rpm.pulses_per_rev = {pulses} is no whole or half number up to {MOST_PULSES}: right only for an \
                 alternator on a belt. A wrong count is a fixed ratio at all speeds: compare with another tachometer.")
    }));
    found.push(when(flow.is_some_and(|pulses| !USUAL_PER_LITRE.contains(&pulses)), "pulses", || {
        let pulses = flow.unwrap_or(0.0);
        let other = if pulses < *USUAL_PER_LITRE.start() { pulses * 60.0 } else { pulses / 60.0 };
        let hint = if USUAL_PER_LITRE.contains(&other) {
            format!("{other:.0}, a factor of 60 away, is: hertz at 1 L/min is a sixtieth of pulses per litre.")
        } else {
            "Check it with a bucket: `lookastern fit flow`.".to_owned()
        };
        format!("calibration.flow.pulses_per_litre = {pulses} is not usual for a telltale. {hint}")
    }));
    found.push(head(profile));
    found
}

fn uncalibrated(channel: Channel, fitted: bool, is_known: bool, command: &str) -> Option<Remark> {
    let name = channel.name();
    match (fitted, is_known) {
        (true, false) => {
            let remedy = if command.is_empty() {
                "Measure the supply and the pin with a voltmeter; ratio is the one over the other.".to_owned()
            } else {
                format!("Measure it: `lookastern fit {command}`.")
            };
            let text =
                format!("{name} is fitted, but [calibration.{name}] is missing: a board cannot read it. {remedy}");
            Some(Remark::new("uncalibrated", text))
        }
        (false, true) => {
            let text = format!("[calibration.{name}] is given, but {name} is not in channels.fitted.");
            Some(Remark::new("not-fitted", text))
        }
        _ => None,
    }
}

fn head(profile: &HostProfile) -> Option<Remark> {
    let head = profile.calibration.head?;
    match head.sensor {
        HeadSensor::Beta { .. } => {
            let text = "The thermistor is known by beta alone, which misses a real curve by up to 0.8 K between 0 and 100 °C. \
                        Three measured points are better: `lookastern fit thermistor`.";
            Some(Remark::new("beta-only", text))
        }
        HeadSensor::Table(table) => {
            let hottest = table.rows().last().map(|(at, _)| f64::from(at.as_millicelsius()) / 1_000.0)?;
            let limit = profile.core.head_limit.map(|limit| f64::from(limit.as_millicelsius()) / 1_000.0)?;
            when(hottest < limit + TABLE_BEYOND_K, "short-table", || {
                format!(
                    "The thermistor's table ends at {hottest:.0} °C, the limit is {limit:.0} °C: what lies beyond is \
                         guessed within 1 K for 30 K, then a broken lead. Add hotter rows."
                )
            })
        }
        _ => None,
    }
}
