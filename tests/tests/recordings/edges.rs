//! Recordings that cannot be replayed as they are, and the oddities that deserve a test of their own.

use lookastern_tests::{Outcome, Replay, recordings};

use crate::catalogue::{PUMP, PUMP_MINUTES};
use crate::clean::check_hours;

/// Something that must be refused: the file, the map, the exit code and a word that the message must have.
struct Refusal {
    name: &'static str,
    file: &'static str,
    columns: Option<&'static str>,
    exit: i32,
    names: &'static str,
}

const REFUSALS: &[Refusal] = &[
    Refusal {
        name: "a battery log has no rpm and no map was given",
        file: "n2k/n2k_03_battery_15min_decoded.csv",
        columns: None,
        exit: 3,
        names: "rpm",
    },
    Refusal {
        name: "a battery log has no rpm and the map has none either",
        file: "n2k/n2k_03_battery_15min_decoded.csv",
        columns: Some("maps/marine-battery-no-rpm.toml"),
        exit: 3,
        names: "rpm",
    },
    Refusal {
        name: "the map names an rpm column that the battery log does not have",
        file: "n2k/n2k_03_battery_15min_decoded.csv",
        columns: Some("maps/marine-battery.toml"),
        exit: 2,
        names: "rpm",
    },
    Refusal {
        name: "raw payloads are no channels",
        file: "n2k/n2k_04_battery_12v_plotter_log.csv",
        columns: None,
        exit: 3,
        names: "rpm",
    },
    Refusal {
        name: "raw engine payloads are no channels",
        file: "n2k/n2k_01_diesel_idle_31s_raw.csv",
        columns: None,
        exit: 3,
        names: "rpm",
    },
    Refusal {
        name: "a water loop has no rpm",
        file: "loop/loop_other_1.csv",
        columns: Some("maps/water-loop.toml"),
        exit: 2,
        names: "rpm",
    },
    Refusal {
        name: "tachometer edges are no trace",
        file: "tach/tachpulse_noisy_2.csv",
        columns: None,
        exit: 3,
        names: "rpm",
    },
];

#[test]
fn what_has_no_rpm_is_refused_by_name() {
    let Some(directory) = recordings("refusals") else { return };
    let mut wrong = Vec::new();
    for Refusal { name, file, columns, exit, names } in REFUSALS {
        let trace = directory.join(file);
        let replay = Replay { trace: &trace, columns: *columns, profile: "profiles/marine-battery.toml" };
        match replay.run() {
            Err(cause) => wrong.push(format!("{name}: {cause}")),
            Ok(Outcome { exit: got, events, messages, .. }) => {
                let file_name = file.rsplit('/').next().unwrap_or(file);
                if got != Some(*exit)
                    || !events.is_empty()
                    || !messages.contains(names)
                    || !messages.contains(file_name)
                {
                    wrong.push(format!("{name}: exit {got:?} instead of {exit}, message: {}", messages.trim()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {} went wrong:\n  {}", wrong.len(), REFUSALS.len(), wrong.join("\n  "));
}

#[test]
fn rows_that_are_no_rows_are_counted_and_named() -> Result<(), String> {
    let Some(directory) = recordings("odd rows") else { return Ok(()) };
    let place = tempfile::tempdir().map_err(|error| error.to_string())?;
    let trace = place.path().join("odd-rows.csv");
    let recording = &PUMP[0];
    recording.load(&directory)?.write(&trace)?;
    let outcome =
        Replay { trace: &trace, columns: Some(recording.layout.map), profile: recording.layout.profile }.run()?;
    // 6,548 rows with a stamp, one whose stamp is "0", 38 that are blank.
    assert_eq!(outcome.rows()?, (6548, 39), "summary: {}", outcome.summary);
    let at = "odd-rows.csv:6550";
    assert!(outcome.messages.contains(at), "no message has {at}: {}", outcome.messages);
    Ok(())
}

#[test]
fn full_hour_in_a_clock_of_minutes_loses_no_time() -> Result<(), String> {
    let Some(directory) = recordings("full hour") else { return Ok(()) };
    // The recording runs from 14:11 to 25:06; 40 minutes later it crosses the full hour.
    let recording = &PUMP[0];
    let mut table = recording.load(&directory)?;
    let stamp = table.column(PUMP_MINUTES.stamp)?;
    let mut crossed = false;
    for cell in table.rows.iter_mut().filter_map(|row| row.get_mut(stamp)) {
        let Some((minutes, seconds)) = cell.split_once(':') else { continue };
        let minutes: u32 = minutes.parse().map_err(|error| format!("{cell}: {error}"))?;
        crossed |= minutes + 40 >= 60;
        *cell = format!("{:02}:{seconds}", (minutes + 40) % 60);
    }
    assert!(crossed, "the copy does not cross the full hour");
    let place = tempfile::tempdir().map_err(|error| error.to_string())?;
    let trace = place.path().join("full-hour.csv");
    table.write(&trace)?;
    let outcome =
        Replay { trace: &trace, columns: Some(recording.layout.map), profile: recording.layout.profile }.run()?;
    check_hours(&outcome, recording)?;
    assert!(outcome.events.is_empty(), "not silent: {}", outcome.list());
    Ok(())
}
