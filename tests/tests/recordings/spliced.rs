//! The monitor is not deaf: the same recordings with faults spliced in, same maps, same profiles. Each fault is found,
//! and the time from splice to finding is printed.

use lookastern_tests::{Event, Outcome, Replay, recordings, say};

use crate::catalogue::{BATTERY_LAYOUT, CAR, LOOP, Layout, MARINE, PUMP, Recording};
use crate::clean::check_hours;
use crate::table::{Clock, Table};

/// Steady speed for recordings whose engine stands still, above the 2,000 rpm from which charging is judged.
const FAST_RPM: &str = "3000";
/// The marine snippets are shorter than a finding takes: so often they are played, one after the other.
const REPEATS: u32 = 10;
/// Flow must be missed so soon at 3,000 rpm: 3 s by DESIGN, a tick at either end, and the filters.
const FLOW_WITHIN_S: f64 = 10.0;
/// Charging must be missed so soon: 60 s by DESIGN, a tick at either end, and the filters.
const SUPPLY_WITHIN_S: f64 = 75.0;
/// The spliced ramp, in K/s, and how far past the limit it goes before it levels off.
const RAMP_K_PER_S: f64 = 0.5;
const PAST_LIMIT_K: f64 = 15.0;

#[test]
fn flow_to_zero_is_found() {
    let Some(directory) = recordings("flow to 0") else { return };
    let table: Vec<&Recording> = LOOP.iter().chain(PUMP).collect();
    all("flow to 0", &table, |recording| {
        let mut spliced = recording.load(&directory)?;
        let moment = Moment::find(&spliced, &recording.layout, Need { settled_s: 60.0, lasts_s: 30.0, warm: false })?;
        let flow = spliced.column(recording.layout.flow.ok_or("no flow column")?)?;
        spliced.change(flow, moment.row, |_, _| 0.0);
        let outcome = replay(&spliced, &recording.layout)?;
        check_hours(&outcome, recording)?;
        let allowed = ["stream-lost", "dry-start"];
        report(recording, "flow to 0", &outcome, &moment, &allowed, &allowed, moment.t_s + FLOW_WITHIN_S)
    });
}

#[test]
fn head_ramp_is_found_before_the_limit_in_road_cars() {
    let Some(directory) = recordings("head +0.5 K/s in road cars") else { return };
    let table: Vec<&Recording> = CAR.iter().collect();
    all("head +0.5 K/s", &table, |recording| {
        let clean = recording.load(&directory)?;
        let outcome = head_ramp(recording, clean, Need { settled_s: 60.0, lasts_s: 55.0, warm: true })?;
        check_hours(&outcome, recording).map(drop)
    });
}

#[test]
fn head_ramp_is_found_before_the_limit_in_water_loops() {
    let Some(directory) = recordings("head +0.5 K/s in water loops") else { return };
    let table: Vec<&Recording> = LOOP.iter().collect();
    all("head +0.5 K/s", &table, |recording| {
        let clean = recording.load(&directory)?;
        let outcome = head_ramp(recording, clean, Need { settled_s: 60.0, lasts_s: 180.0, warm: false })?;
        check_hours(&outcome, recording).map(drop)
    });
}

#[test]
fn head_ramp_is_found_before_the_limit_in_the_marine_diesel() {
    let Some(directory) = recordings("head +0.5 K/s in the marine diesel") else { return };
    all("head +0.5 K/s", &[diesel()], |recording| {
        let mut clean = recording.load(&directory)?;
        clean.repeat(recording.layout.stamp, REPEATS)?;
        silent(&clean, &recording.layout)?;
        head_ramp(recording, clean, Need { settled_s: 30.0, lasts_s: 180.0, warm: false }).map(drop)
    });
}

#[test]
fn lost_charging_is_found_in_the_marine_diesel() {
    let Some(directory) = recordings("supply −2 V in the marine diesel") else { return };
    all("supply −2 V", &[diesel()], |recording| {
        // It idles at 800 all the time and charging is judged above 2,000 rpm, so the copy turns three times as fast.
        let mut clean = recording.load(&directory)?;
        clean.repeat(recording.layout.stamp, REPEATS)?;
        let rpm = clean.column(recording.layout.rpm)?;
        clean.change(rpm, 0, |_, rpm| rpm * 3.0);
        supply_drop(recording, &recording.layout, clean, 30.0)
    });
    say("n2k_02: supply −2 V and head ramp left out: its engine stands still, and neither is judged then");
}

#[test]
fn lost_charging_is_found_on_the_battery_bank() {
    let Some(directory) = recordings("supply −2 V on the battery bank") else { return };
    let layout = Layout { steady_rpm: Some(FAST_RPM), ..BATTERY_LAYOUT };
    let table: Vec<&Recording> = MARINE.iter().filter(|recording| recording.file.contains("n2k_03")).collect();
    all("supply −2 V", &table, |recording| {
        let running = Recording { layout, ..**recording };
        supply_drop(&running, &layout, running.load(&directory)?, 60.0)
    });
}

#[test]
fn lost_charging_is_found_in_the_plotter_log() {
    let Some(directory) = recordings("supply −2 V in the plotter log") else { return };
    let layout = Layout {
        map: "maps/plotter-battery.toml",
        clock: Clock::Milliseconds,
        steady_rpm: Some(FAST_RPM),
        ..BATTERY_LAYOUT
    };
    let log =
        Recording { file: "n2k/n2k_04_battery_12v_plotter_log.csv", layout, running_s: 72, starts: 1, justified: &[] };
    all("supply −2 V", &[&log], |recording| {
        let mut clean = recording.load(&directory)?;
        decode_battery_voltage(&mut clean)?;
        supply_drop(recording, &layout, clean, 5.0)
    });
}

/// Runs one check over the table and fails once, with every recording that went wrong.
fn all(fault: &str, table: &[&Recording], check: impl Fn(&&Recording) -> Result<(), String>) {
    assert!(!table.is_empty(), "{fault}: the catalogue has no recording for this test");
    let wrong: Vec<String> = table
        .iter()
        .filter_map(|recording| {
            check(recording).err().map(|cause| format!("{} with {}: {cause}", recording.file, recording.layout.map))
        })
        .collect();
    assert!(wrong.is_empty(), "{fault}: {} of {} went wrong:\n  {}", wrong.len(), table.len(), wrong.join("\n  "));
}

fn diesel() -> &'static Recording {
    &MARINE[0]
}

fn replay(table: &Table, layout: &Layout) -> Result<Outcome, String> {
    let place = tempfile::tempdir().map_err(|error| error.to_string())?;
    let trace = place.path().join("spliced.csv");
    table.write(&trace)?;
    let outcome = Replay { trace: &trace, columns: Some(layout.map), profile: layout.profile }.run()?;
    match outcome.exit {
        Some(0) => Ok(outcome),
        exit => Err(format!("exit {exit:?} instead of 0: {}", outcome.messages.trim())),
    }
}

/// The derived copy without a fault: the profile and the added speed alone must raise nothing.
fn silent(table: &Table, layout: &Layout) -> Result<(), String> {
    let outcome = replay(table, layout)?;
    if outcome.events.is_empty() { Ok(()) } else { Err(format!("the clean copy is not silent: {}", outcome.list())) }
}

fn head_ramp(recording: &Recording, mut table: Table, need: Need) -> Result<Outcome, String> {
    let layout = &recording.layout;
    let moment = Moment::find(&table, layout, need)?;
    let seconds = table.seconds(layout.stamp, layout.clock)?;
    let head = table.column(layout.head.ok_or("no head column")?)?;
    let at_splice =
        (moment.row..table.rows.len()).find_map(|row| table.number(row, head)).ok_or("no head after the splice")?;
    let greatest = layout.head_limit_c + PAST_LIMIT_K - at_splice;
    let mut over_limit_s = f64::INFINITY;
    table.change(head, moment.row, |row, value| {
        let elapsed = seconds.get(row).map_or(0.0, |seconds| seconds - moment.t_s);
        let spliced = value + (RAMP_K_PER_S * elapsed).clamp(0.0, greatest);
        if spliced > layout.head_limit_c {
            over_limit_s = over_limit_s.min(moment.t_s + elapsed);
        }
        spliced
    });
    let outcome = replay(&table, layout)?;
    let allowed = ["head-climbing", "head-over-limit"];
    report(recording, "head +0.5 K/s", &outcome, &moment, &["head-climbing"], &allowed, over_limit_s)?;
    Ok(outcome)
}

fn supply_drop(recording: &Recording, layout: &Layout, mut table: Table, settled_s: f64) -> Result<(), String> {
    silent(&table, layout)?;
    let moment = Moment::find(&table, layout, Need { settled_s, lasts_s: 66.0, warm: false })?;
    let supply = table.column(layout.supply.ok_or("no supply column")?)?;
    table.change(supply, moment.row, |_, volts| volts - 2.0);
    let outcome = replay(&table, layout)?;
    let wanted = ["charge-lost"];
    report(recording, "supply −2 V", &outcome, &moment, &wanted, &wanted, moment.t_s + SUPPLY_WITHIN_S)
}

/// Puts the voltage of the battery message beside its payload: bytes 1 and 2, least first, in 0.01 V.
fn decode_battery_voltage(table: &mut Table) -> Result<(), String> {
    let payload = table.column("payload_hex")?;
    table.header.push("voltage_v".to_owned());
    for row in &mut table.rows {
        let byte = |at: usize| {
            row.get(payload).and_then(|hex| hex.get(at..at + 2)).and_then(|hex| u32::from_str_radix(hex, 16).ok())
        };
        let voltage = match (byte(2), byte(4)) {
            (Some(low), Some(high)) => format!("{:.2}", f64::from(high * 256 + low) / 100.0),
            _ => return Err("a payload is too short for a voltage".to_owned()),
        };
        row.push(voltage);
    }
    Ok(())
}

/// Checks that the fault is found in time and nothing else is, and says how long it took.
fn report(
    recording: &Recording,
    fault: &str,
    outcome: &Outcome,
    moment: &Moment,
    wanted: &[&str],
    allowed: &[&str],
    deadline_s: f64,
) -> Result<(), String> {
    let wrong = |cause: String| Err(format!("{fault} at {:.3} s: {cause}; events: {}", moment.t_s, outcome.list()));
    let strange = |event: &&Event| {
        let expected = event.t_s >= moment.t_s && allowed.contains(&event.finding.as_str());
        !expected && !recording.is_justified(event)
    };
    if let Some(event) = outcome.events.iter().find(strange) {
        return wrong(format!("{} at {:.3} s has nothing to do with it", event.finding, event.t_s));
    }
    let raised = outcome
        .events
        .iter()
        .find(|event| event.t_s >= moment.t_s && event.state == "raised" && allowed.contains(&event.finding.as_str()));
    let Some(first) = raised else { return wrong("not found".to_owned()) };
    let took_s = first.t_s - moment.t_s;
    if !wanted.contains(&first.finding.as_str()) {
        return wrong(format!("{} came first, not {}", first.finding, wanted.join(" or ")));
    }
    if first.t_s > deadline_s {
        return wrong(format!("{} came {took_s:.3} s after, later than {:.3} s", first.finding, deadline_s));
    }
    let spare_s = deadline_s - first.t_s;
    say(&format!(
        "{}: {fault} at {:.3} s: {} after {took_s:.3} s, {spare_s:.3} s to spare",
        recording.file, moment.t_s, first.finding
    ));
    Ok(())
}

/// What the engine must have been doing before a splice, and must go on doing after it.
#[derive(Debug, Clone, Copy)]
struct Need {
    /// Seconds of running before.
    settled_s: f64,
    /// Seconds of running after.
    lasts_s: f64,
    /// Whether the head must be warm: 80 °C, or within 10 K of the hottest if it never gets so far.
    warm: bool,
}

/// Where a fault is spliced in.
#[derive(Debug, Clone, Copy)]
struct Moment {
    row: usize,
    t_s: f64,
}

impl Moment {
    /// The first row that satisfies the need.
    fn find(table: &Table, layout: &Layout, need: Need) -> Result<Self, String> {
        let seconds = table.seconds(layout.stamp, layout.clock)?;
        let rpm = table.column(layout.rpm)?;
        let warm_from = if need.warm { warm_from(table, layout)? } else { f64::NEG_INFINITY };
        let head = layout.head.map(|head| table.column(head)).transpose()?;
        // One stretch of running after the other: its begin, and the first good moment inside it.
        let (mut begin_s, mut last_s, mut found) = (f64::NAN, f64::NAN, None::<Self>);
        for (row, &t_s) in seconds.iter().enumerate() {
            let Some(speed) = table.number(row, rpm).filter(|_| t_s.is_finite()) else { continue };
            let goes_on = (0.0..=5.0).contains(&(t_s - last_s));
            last_s = t_s;
            if speed < 0.7 * layout.idle_rpm || !goes_on {
                (begin_s, found) = (if speed < 0.7 * layout.idle_rpm { f64::NAN } else { t_s }, None);
                continue;
            }
            if begin_s.is_nan() {
                begin_s = t_s;
            }
            match found {
                Some(moment) if t_s - moment.t_s >= need.lasts_s => return Ok(moment),
                Some(_) => {}
                None => {
                    let is_warm = head.and_then(|head| table.number(row, head)).is_none_or(|head| head >= warm_from);
                    found = (is_warm && t_s - begin_s >= need.settled_s).then_some(Self { row, t_s });
                }
            }
        }
        Err(format!("no moment with {need:?}: the recording has no room for this fault"))
    }
}

fn warm_from(table: &Table, layout: &Layout) -> Result<f64, String> {
    let head = table.column(layout.head.ok_or("no head column")?)?;
    let hottest = (0..table.rows.len()).filter_map(|row| table.number(row, head)).fold(f64::MIN, f64::max);
    Ok(f64::min(80.0, hottest - 10.0))
}
