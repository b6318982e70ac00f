//! `--columns auto` on real recordings: the map it guesses is the one a person would write.

use std::path::Path;
use std::process::Command;

use lookastern_tests::{lookastern, package_file, recordings, say};

/// The recordings whose columns can be known from themselves, and the map that is right.
const KNOWN: [(&str, &str); 4] = [
    (
        "car/car_00_original_layout.csv",
        "time   = { column = \"Time\", unit = \"hh:mm:ss\" }\n\
         rpm    = { column = \"Engine RPM [RPM]\", unit = \"rpm\" }\n\
         head   = { column = \"Engine Coolant Temperature [°C]\", unit = \"C\" }\n\
         speed  = { column = \"Vehicle Speed Sensor [km/h]\", unit = \"km/h\" }\n",
    ),
    (
        "car/car_02_sensor_dropouts.csv",
        "time   = { column = \"t_ms\", unit = \"ms\" }\n\
         rpm    = { column = \"rpm\", unit = \"rpm\" }\n\
         head   = { column = \"coolant_c\", unit = \"C\" }\n\
         speed  = { column = \"speed_kmh\", unit = \"km/h\" }\n",
    ),
    (
        "n2k/n2k_01_diesel_idle_31s_decoded.csv",
        "time   = { column = \"timestamp_text\", unit = \"rfc3339\" }\n\
         rpm    = { column = \"rpm\", unit = \"rpm\" }\n\
         head   = { column = \"engine_temp_c\", unit = \"C\" }\n\
         supply = { column = \"alternator_v\", unit = \"V\" }\n\
         oil    = { column = \"oil_pressure_kpa\", unit = \"kPa\" }\n",
    ),
    (
        "n2k/n2k_02_low_battery_key_on_decoded.csv",
        "time   = { column = \"timestamp_text\", unit = \"rfc3339\" }\n\
         rpm    = { column = \"rpm\", unit = \"rpm\" }\n\
         head   = { column = \"engine_temp_c\", unit = \"C\" }\n\
         supply = { column = \"alternator_v\", unit = \"V\" }\n\
         oil    = { column = \"oil_pressure_kpa\", unit = \"kPa\" }\n",
    ),
];

/// Recordings that no map can make a trace of, or that a person has to decide on.
const REFUSED: [&str; 4] = [
    "n2k/n2k_03_battery_15min_decoded.csv",
    "n2k/n2k_04_battery_12v_plotter_log.csv",
    "loop/loop_other_1.csv",
    "pumploop/pump_3_running.csv",
];

fn guess(trace: &Path, map: &Path) -> Result<(Option<i32>, String), String> {
    let mut command = Command::new(lookastern()?);
    command.arg("replay").arg(trace).arg("--profile").arg(package_file("profiles/road-engine.toml"));
    command.args(["--format", "jsonl", "--columns", "auto", "--write-columns"]).arg(map);
    let output = command.output().map_err(|error| error.to_string())?;
    Ok((output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned()))
}

#[test]
fn columns_of_known_recordings_are_guessed_and_others_refused() {
    let Some(directory) = recordings("guessed columns") else { return };
    let place = tempfile::tempdir().unwrap();
    for (file, expected) in KNOWN {
        let map = place.path().join("map.toml");
        let (exit, messages) = guess(&directory.join(file), &map).unwrap();
        assert_eq!(exit, Some(0), "{file}: {messages}");
        assert_eq!(std::fs::read_to_string(&map).unwrap(), expected, "{file}: {messages}");
        say(&format!("{file}: columns guessed as a person would"));
    }
    for file in REFUSED {
        let map = place.path().join("none.toml");
        let (exit, messages) = guess(&directory.join(file), &map).unwrap();
        assert!(matches!(exit, Some(2 | 3)) && !map.exists(), "{file}: {messages}");
        assert!(messages.contains("--columns MAP.toml"), "{file}: {messages}");
    }
}
