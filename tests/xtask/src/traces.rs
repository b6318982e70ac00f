//! The synthetic traces of `tests/identity`: short stories that raise and clear findings, in integer arithmetic, so that
//! they come out the same everywhere.

use std::fmt::Write as _;
use std::fs;
use std::io;
use std::path::Path;

const HEADER: &str = "t_s,rpm,head_c,flow_lpm,supply_v,speed_kn,water_c,oil_kpa\n";

/// One row; all values but `rpm` in thousandths of the column's unit. `None` is a blank cell.
#[derive(Debug, Clone, Copy)]
struct Row {
    t_ms: i64,
    rpm: i64,
    head: Option<i64>,
    flow: Option<i64>,
    supply: Option<i64>,
    oil: Option<i64>,
}

impl Row {
    /// A healthy warm engine at that speed, at that moment.
    fn healthy(t_ms: i64, rpm: i64) -> Self {
        // A little unrest, or every reading would look stuck.
        let unrest = (t_ms / 500 * 37 + t_ms / 3_000 * 11) % 23 - 11;
        let running = rpm > 300;
        Self {
            t_ms,
            rpm: if running { rpm + unrest } else { rpm },
            head: Some(68_000 + unrest * 20),
            flow: Some(if running { rpm * 4 / 5 + unrest * 5 } else { 0 }),
            supply: Some(if running { 13_900 + unrest * 4 } else { 12_500 }),
            oil: Some(if running { 150_000 + rpm * 40 + unrest * 100 } else { 0 }),
        }
    }

    fn write(&self, text: &mut String) {
        let thousandths = |value: i64| {
            let sign = if value < 0 { "-" } else { "" };
            format!("{sign}{}.{:03}", value.abs() / 1_000, value.abs() % 1_000)
        };
        let cell = |value: Option<i64>| value.map(thousandths).unwrap_or_default();
        // Below planing speed the boat does as it likes; here it simply follows the engine.
        let speed = thousandths(if self.rpm > 300 { self.rpm * 5 } else { 0 });
        let (stamp, head, flow) = (thousandths(self.t_ms), cell(self.head), cell(self.flow));
        let (supply, oil) = (cell(self.supply), cell(self.oil));
        // Writing to a string cannot fail.
        let _ = writeln!(text, "{stamp},{},{head},{flow},{supply},{speed},18.500,{oil}", self.rpm);
    }
}

/// The moments from `from_ms`, `step_ms` apart.
fn moments(from_ms: i64, count: i64, step_ms: i64) -> impl Iterator<Item = i64> {
    (0..count).map(move |index| from_ms + index * step_ms)
}

/// Weed on the intake at speed: the stream goes, the head climbs over its limit, the skipper stops, clears the weed and
/// goes on; what is left of it takes the stream away for six seconds more.
fn overheat() -> Vec<Row> {
    let mut rows = Vec::new();
    for t_ms in moments(0, 760, 1_000) {
        let second = t_ms / 1_000;
        let rpm = match second {
            0..5 | 400..520 | 740.. => 0,
            5..7 | 520..522 => 260,
            7..60 | 522..540 => 800,
            60..390 | 540..720 => 3_200,
            _ => 900,
        };
        let mut row = Row::healthy(t_ms, rpm);
        let kelvin_over_normal = match second {
            0..240 => 0,
            240..310 => (second - 240) * 500,
            310..400 => 35_000,
            400..430 => 35_000 + (second - 400) * 30,
            430..700 => (36_000 - (second - 430) * 200).max(0),
            _ => 0,
        };
        row.head = row.head.map(|head| head + kelvin_over_normal);
        // Once more for a few seconds, and back before a cause could show.
        if (236..440).contains(&second) || (600..606).contains(&second) {
            row.flow = Some(0);
        }
        rows.push(row);
    }
    rows
}

/// What the people aboard do meanwhile.
const OVERHEAT_ACTIONS: &str = "\
trip,t_s,action,finding
0,245,silence,
0,250,acknowledge,stream-lost
0,320,shelve:5,head-over-limit
0,330,acknowledge,head-over-limit
0,640,reset,head-over-limit
0,700,acknowledge,
";

/// Started without water, revved at once; water comes late. Four samples a second, not quite evenly.
fn dry_start() -> Vec<Row> {
    let mut rows = Vec::new();
    for (index, t_ms) in moments(0, 800, 250).enumerate() {
        let jitter_ms = [0, 40, -30, 90, -60][index % 5];
        let rpm = match t_ms / 1_000 {
            0..4 => 0,
            4..6 => 240,
            6..190 => 2_600,
            _ => 0,
        };
        let mut row = Row::healthy(t_ms, rpm);
        row.t_ms = (t_ms + jitter_ms).max(0);
        if t_ms < 40_000 {
            row.flow = Some(0);
        }
        rows.push(row);
    }
    rows
}

/// Over the handbook's speed for a while, an alternator that stops charging and starts again, oil pressure that sags.
fn speed_charge_oil() -> Vec<Row> {
    let mut rows = Vec::new();
    for t_ms in moments(0, 500, 1_000) {
        let second = t_ms / 1_000;
        let rpm = match second {
            0..3 | 490.. => 0,
            3..30 => 850,
            60..90 => 6_250,
            _ => 4_000,
        };
        let mut row = Row::healthy(t_ms, rpm);
        if (150..270).contains(&second) {
            row.supply = row.supply.map(|supply| supply - 1_700);
        }
        if (350..380).contains(&second) {
            row.oil = Some(40_000);
        }
        rows.push(row);
    }
    rows
}

/// A flow meter that jams for eleven minutes, through idle and load, and then turns again. One sample in two seconds.
fn sensor_stuck() -> Vec<Row> {
    let mut rows = Vec::new();
    for t_ms in moments(0, 430, 2_000) {
        let second = t_ms / 1_000;
        let rpm = match second {
            0..4 => 0,
            4..120 | 300..420 | 600..660 => 800,
            _ => 3_600,
        };
        let mut row = Row::healthy(t_ms, rpm);
        if (130..790).contains(&second) {
            row.flow = Some(2_345);
        }
        rows.push(row);
    }
    rows
}

/// Leads that open and short, blank cells, a hole and a clock that steps back.
fn sensors() -> Vec<Row> {
    let mut rows = Vec::new();
    for t_ms in moments(0, 900, 1_000) {
        let second = t_ms / 1_000;
        // The speed changes all the time, so that a reading that does not is remarkable.
        let rpm = if second < 5 { 0 } else { 2_400 + (second / 15 % 4) * 500 };
        let mut row = Row::healthy(t_ms, rpm);
        match second {
            60..80 => row.head = Some(-45_000),
            120..140 => row.head = Some(215_000),
            180..225 => row.flow = None,
            260..280 => row.supply = Some(3_000),
            320..335 => row.oil = Some(-1_000),
            _ => {}
        }
        // A hole of 20 s, later a clock that is set back by 7 s.
        if (700..720).contains(&second) {
            continue;
        }
        if second >= 760 {
            row.t_ms -= 7_000;
        }
        rows.push(row);
    }
    rows
}

/// Names and contents of all generated files.
fn files() -> Vec<(&'static str, String)> {
    let trace = |rows: Vec<Row>| {
        let mut text = HEADER.to_owned();
        rows.iter().for_each(|row| row.write(&mut text));
        text
    };
    vec![
        ("overheat.csv", trace(overheat())),
        ("overheat.actions.csv", OVERHEAT_ACTIONS.to_owned()),
        ("dry-start.csv", trace(dry_start())),
        ("speed-charge-oil.csv", trace(speed_charge_oil())),
        ("sensors.csv", trace(sensors())),
        ("sensor-stuck.csv", trace(sensor_stuck())),
    ]
}

/// Writes all traces into `folder`.
pub(crate) fn write_all(folder: &Path) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    for (name, text) in files() {
        fs::write(folder.join(name), text)?;
        println!("{}", folder.join(name).display());
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_traces_in_the_repository_are_those_of_this_generator() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../identity");
        for (name, text) in files() {
            let found = fs::read_to_string(folder.join(name)).unwrap_or_default();
            assert!(found == text, "{name}: run cargo xtask traces");
            assert!(text.len() < 50_000, "{name}: {} bytes", text.len());
        }
    }

    #[test]
    fn negative_thousandths_keep_their_sign() {
        let mut text = String::new();
        Row { head: Some(-45), flow: None, ..Row::healthy(1_500, 0) }.write(&mut text);
        assert_eq!(text, "1.500,0,-0.045,,12.500,0.000,18.500,0.000\n");
    }
}
