//! From pin edges and converter counts to events: the bench of `boards/app` on the host and on the emulated boards.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use crate::budget;
use crate::elf::Image;
use crate::icount;
use crate::identity::{self, Board};
use crate::plan::Outcome;
use crate::tool::{Places, output};

/// What the story raises and clears; it must raise nothing else.
const RAISED: [&str; 6] =
    ["head-climbing", "head-over-limit", "intake-blocked", "over-speed", "sensor-open", "stream-lost"];
/// What is cleared again: the cause replaced the two conditions that it explains.
const CLEARED: [&str; 4] = ["head-over-limit", "intake-blocked", "over-speed", "sensor-open"];

/// The marked parts of the bench, as in `boards/emulated/src/driver_marks.rs`.
const PARTS: [&str; 13] = [
    "tachometer_edge",
    "tachometer_read",
    "flow_edge",
    "flow_read",
    "thermistor_poll",
    "supply_poll",
    "oil_poll",
    "thermistor_table",
    "platinum_reading",
    "thermocouple_reading",
    "one_wire_decode",
    "step",
    "signals",
];

/// Parts of the monitor, which have their own budget.
const MONITOR_PARTS: [&str; 2] = ["step", "signals"];

/// Runs the bench on `board` and on the host and compares events, counts and hashes of all readings.
pub(crate) fn compare(places: &Places, board: &Board) -> Result<Outcome, Outcome> {
    let on_host = "bench.host.jsonl";
    make_work_folder(places)?;
    let mut command = Command::new(places.host_binary("feed-writer"));
    let host_counts = output(command.current_dir(places.work()).args(["bench", "-o", on_host]))?;
    let expected = identity::read_events(places, on_host)?;
    let events = format!("bench.{}.jsonl", board.name());
    let counts = board.run(places, "bench", &events, &[])?;
    let found = identity::read_events(places, &events)?;
    print!("{counts}");
    if let Some(difference) = identity::difference(&expected, &found) {
        return Err(Outcome::Failed(difference));
    }
    if let Some(miscount) = identity::miscount(&host_counts, &counts) {
        return Err(Outcome::Failed(miscount));
    }
    told_as_it_should_be(&found).map_err(Outcome::Failed)?;
    let polls = icount::number(&counts, "polls=").map_err(Outcome::Failed)?;
    let events = found.lines().count();
    let hash = identity::hash(&found);
    Ok(Outcome::Passed(format!("{polls} polls, {events} events, {} raised, hash {hash:016x}", RAISED.join(" "))))
}

/// Whether the events raise and clear what the story holds and nothing else, each once.
fn told_as_it_should_be(events: &str) -> Result<(), String> {
    let stories: [(&str, &[&str]); 2] = [("raised", &RAISED), ("cleared", &CLEARED)];
    for (state, wanted) in stories {
        let wanted: BTreeSet<&str> = wanted.iter().copied().collect();
        let found = identity::findings(events, state);
        if let Some(missing) = wanted.difference(&found).next() {
            return Err(format!("the story has {missing} {state}, the events do not"));
        }
        if let Some(surplus) = found.difference(&wanted).next() {
            return Err(format!("{surplus} is {state}, which the story does not have"));
        }
        let marker = format!("\"state\":\"{state}\"");
        let times = events.lines().filter(|line| line.contains(&marker)).count();
        if times != wanted.len() {
            return Err(format!("{times} events say {state}, the story has {}", wanted.len()));
        }
    }
    Ok(())
}

/// Runs the bench on the emulated Cortex-M0 and prints the instructions of each driver.
pub(crate) fn measure(places: &Places, image: &Path) -> Result<Outcome, Outcome> {
    make_work_folder(places)?;
    let plugin = icount::build_plugin(places)?;
    let symbols = Image::load(image).map_err(Outcome::Failed)?;
    let marks = PARTS.map(|part| (part, format!("mark_{part}_begins"), format!("mark_{part}_ended")));
    let spans = marks.each_ref().map(|(part, begins, ended)| (*part, begins.as_str(), ended.as_str()));
    let counts_file = "bench.counts";
    let arguments = icount::plugin_arguments(&plugin, counts_file, &symbols, &spans).map_err(Outcome::Failed)?;
    let printed = Board::cortex_m0(image).run(places, "bench", "bench.counted.jsonl", &arguments)?;
    let path = places.work().join(counts_file);
    let text = fs::read_to_string(&path).map_err(|error| Outcome::Failed(format!("{}: {error}", path.display())))?;
    icount::no_long_division_in_step("bench", &text)?;
    let parts = table(&text).map_err(Outcome::Failed)?;
    let stack_bytes = icount::number(&printed, "stack_bytes=").map_err(Outcome::Failed)?;
    let step = icount::counts(&text, "step").map_err(Outcome::Failed)?;
    let signals = icount::counts(&text, "signals").map_err(Outcome::Failed)?;
    let monitor = budget::judge(&[
        ("step at ten samples a second, mean", step.mean(), budget::STEP_MEAN),
        ("worst", step.worst, budget::STEP_WORST),
        ("signals, worst", signals.worst, budget::SIGNALS_WORST),
        ("stack with the drivers, bytes", stack_bytes, budget::STACK_BYTES),
    ]);
    match monitor {
        Outcome::Passed(monitor) => Ok(Outcome::Passed(format!("{parts}; {monitor}"))),
        other => Err(other),
    }
}

/// Prints a row for each part and returns those of the drivers in one line, `name mean/worst`.
fn table(text: &str) -> Result<String, String> {
    println!("{:<22} {:>8} {:>8} {:>8}", "instructions of", "calls", "mean", "worst");
    let mut line = Vec::new();
    for part in PARTS {
        let counts = icount::counts(text, part)?;
        if counts.calls == 0 {
            return Err(format!("the counter saw no {part}"));
        }
        let name = part.replace('_', " ");
        println!("{name:<22} {:>8} {:>8} {:>8}", counts.calls, counts.mean(), counts.worst);
        if !MONITOR_PARTS.contains(&part) {
            line.push(format!("{name} {}/{}", counts.mean(), counts.worst));
        }
    }
    Ok(format!("mean/worst: {}", line.join(", ")))
}

fn make_work_folder(places: &Places) -> Result<(), Outcome> {
    let work = places.work();
    fs::create_dir_all(&work).map_err(|error| Outcome::Failed(format!("{}: {error}", work.display())))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn events(states: &[(&str, &str)]) -> String {
        let line = |(finding, state): &(&str, &str)| format!("{{\"finding\":\"{finding}\",\"state\":\"{state}\"}}\n");
        states.iter().map(line).collect()
    }

    #[test]
    fn the_story_must_be_told_whole_and_nothing_else() {
        let whole: Vec<(&str, &str)> = RAISED
            .map(|finding| (finding, "raised"))
            .into_iter()
            .chain(CLEARED.map(|finding| (finding, "cleared")))
            .collect();
        let with = |extra| [whole.as_slice(), &[extra]].concat();
        let cases = [
            ("whole", whole.clone(), None),
            ("with another state", with(("over-speed", "level-changed")), None),
            ("one missing", whole[..whole.len() - 1].to_vec(), Some("the story has sensor-open cleared")),
            ("one too many", with(("dry-start", "raised")), Some("dry-start is raised")),
            ("one twice", with(("over-speed", "raised")), Some("7 events say raised")),
            ("nothing", Vec::new(), Some("the story has head-climbing raised")),
        ];
        for (name, states, expected) in cases {
            let told = told_as_it_should_be(&events(&states));
            match expected {
                None => assert_eq!(told, Ok(()), "{name}"),
                Some(beginning) => assert!(told.unwrap_err().starts_with(beginning), "{name}"),
            }
        }
    }

    #[test]
    fn every_part_must_have_been_met() {
        let row = |part: &str, calls: u32| format!("span {part} calls={calls} total=100 min=1 max=90 worst_call=1\n");
        let text: String = PARTS.map(|part| row(part, 2)).concat();
        let told = table(&text).unwrap();
        assert!(told.starts_with("mean/worst: tachometer edge 50/90, "), "{told}");
        assert!(!told.contains("signals"), "{told}");
        let without = text.replace(&row("flow_read", 2), &row("flow_read", 0));
        assert_eq!(table(&without), Err("the counter saw no flow_read".to_owned()));
        assert!(table("").is_err());
    }
}
