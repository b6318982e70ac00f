//! Same readings, same bytes: traces replayed on emulated boards and on the host.
//!
//! A case is `NAME.csv` in `tests/identity`, with `NAME.actions.csv` where people act, and `NAME.toml` or else
//! `profile.toml` as its profile.

use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::plan::Outcome;
use crate::tool::{Finished, Places, is_there, output, run_within};

/// The cases together must raise and clear each of these: all findings that the core has so far.
const FINDINGS: [&str; 10] = [
    "charge-lost",
    "dry-start",
    "head-climbing",
    "head-over-limit",
    "oil-pressure-low",
    "over-speed",
    "sensor-open",
    "sensor-short",
    "sensor-stuck",
    "stream-lost",
];

/// An emulated replay takes well under a second for each thousand rows.
const EMULATION_LIMIT: Duration = Duration::from_secs(120);

/// A trace with what belongs to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Case {
    name: String,
    trace: PathBuf,
    profile: PathBuf,
    actions: Option<PathBuf>,
}

/// A machine that QEMU emulates, with its image.
#[derive(Debug, Clone)]
pub(crate) struct Board {
    name: &'static str,
    emulator: &'static str,
    machine: &'static [&'static str],
    image: PathBuf,
}

impl Board {
    pub(crate) fn cortex_m0(image: &Path) -> Self {
        let machine = &["-machine", "microbit"];
        Self { name: "m0", emulator: "qemu-system-arm", machine, image: image.to_owned() }
    }

    pub(crate) fn rv32(image: &Path) -> Self {
        let machine = &["-machine", "virt", "-bios", "none"];
        Self { name: "rv32", emulator: "qemu-system-riscv32", machine, image: image.to_owned() }
    }

    /// A short name for files.
    pub(crate) const fn name(&self) -> &'static str {
        self.name
    }

    /// Runs a feed, or what the first argument names instead; both names of files are in the work folder. Returns what the
    /// board printed.
    pub(crate) fn run(&self, places: &Places, feed: &str, events: &str, more: &[OsString]) -> Result<String, Outcome> {
        if !is_there(self.emulator) {
            let cause = format!("no {}; cargo xtask test --install brings it", self.emulator);
            return Err(Outcome::LeftOut(cause));
        }
        let work = places.work();
        let mut command = Command::new(self.emulator);
        command.current_dir(&work).args(self.machine).args(["-display", "none", "-monitor", "none", "-serial", "none"]);
        command.arg("-semihosting-config").arg(format!("enable=on,target=native,arg={feed},arg={events}"));
        command.args(more).arg("-kernel").arg(&self.image);
        let Finished { code, text } = run_within(&mut command, EMULATION_LIMIT, &work.join(format!("{events}.log")))?;
        if code == Some(0) {
            return Ok(text);
        }
        Err(Outcome::Failed(format!("{} ended with {} on {feed}: {}", self.name, told(code), text.trim_end())))
    }
}

/// The exit codes of the `semihost` crate, in words.
fn told(code: Option<i32>) -> String {
    let Some(code) = code else { return "a signal".to_owned() };
    let word = match code {
        10 => "command line unusable",
        11 => "feed file unreadable",
        12 => "output not writable",
        13 => "feed damaged",
        14 => "profile unusable",
        15 => "event without words",
        16 => "calibration refused",
        17 => "store refused",
        18 => "more than one flash operation in a call",
        19 => "store without an end to its work",
        101 => "panic",
        _ => "see the emulator",
    };
    format!("exit code {code} ({word})")
}

/// All cases, by name; at least one.
pub(crate) fn cases(places: &Places) -> Result<Vec<Case>, Outcome> {
    let folder = places.root.join("tests/identity");
    let unreadable = |error: std::io::Error| Outcome::Failed(format!("{}: {error}", folder.display()));
    let mut found = Vec::new();
    for entry in fs::read_dir(&folder).map_err(unreadable)? {
        let trace = entry.map_err(unreadable)?.path();
        let Some(name) = trace.file_name().and_then(|name| name.to_str()?.strip_suffix(".csv")) else { continue };
        if name.ends_with(".actions") {
            continue;
        }
        let beside = |ending: &str| Some(folder.join(format!("{name}{ending}"))).filter(|path| path.is_file());
        let profile = beside(".toml").unwrap_or_else(|| folder.join("profile.toml"));
        found.push(Case { name: name.to_owned(), profile, actions: beside(".actions.csv"), trace: trace.clone() });
    }
    if found.is_empty() {
        return Err(Outcome::Failed(format!("{} holds no traces", folder.display())));
    }
    found.sort_by(|one, other| one.name.cmp(&other.name));
    fs::create_dir_all(places.work()).map_err(unreadable)?;
    Ok(found)
}

impl Case {
    /// Writes the case's feed into the work folder and returns its name.
    pub(crate) fn feed(&self, places: &Places) -> Result<String, Outcome> {
        let feed = format!("{}.feed", self.name);
        let mut command = Command::new(places.host_binary("feed-writer"));
        command.current_dir(places.work()).arg("encode").arg("--profile").arg(&self.profile);
        if let Some(actions) = &self.actions {
            command.arg("--actions").arg(actions);
        }
        output(command.args(["-o", &feed]).arg(&self.trace))?;
        Ok(feed)
    }

    /// The events of the command that people use.
    fn host_events(&self, places: &Places) -> Result<String, Outcome> {
        let mut command = Command::new(places.host_binary("lookastern"));
        command.args(["replay", "--format", "jsonl", "--profile"]).arg(&self.profile);
        if let Some(actions) = &self.actions {
            command.arg("--actions").arg(actions);
        }
        output(command.arg(&self.trace))
    }
}

fn run_on_host(places: &Places, feed: &str, events: &str) -> Result<String, Outcome> {
    let mut command = Command::new(places.host_binary("feed-writer"));
    output(command.current_dir(places.work()).args(["run", feed, "-o", events]))
}

pub(crate) fn read_events(places: &Places, events: &str) -> Result<String, Outcome> {
    let path = places.work().join(events);
    fs::read_to_string(&path).map_err(|error| Outcome::Failed(format!("{}: {error}", path.display())))
}

/// Replays every case on `board` and compares its events with those of the host.
pub(crate) fn compare(places: &Places, board: &Board) -> Result<Outcome, Outcome> {
    let mut all_events = String::new();
    let mut wrong = Vec::new();
    let cases = cases(places)?;
    for case in &cases {
        let feed = case.feed(places)?;
        let host_counts = run_on_host(places, &feed, &format!("{}.host.jsonl", case.name))?;
        let expected = case.host_events(places)?;
        let events = format!("{}.{}.jsonl", case.name, board.name);
        let counts = board.run(places, &feed, &events, &[])?;
        let found = read_events(places, &events)?;
        println!("{}: {} events, hash {:016x}", case.name, found.lines().count(), hash(&found));
        if let Some(difference) = difference(&expected, &found) {
            wrong.push(format!("{}: {difference}", case.name));
        }
        wrong.extend(miscount(&host_counts, &counts).map(|miscount| format!("{}: {miscount}", case.name)));
        all_events.push_str(&found);
    }
    let (raised, cleared) = (findings(&all_events, "raised"), findings(&all_events, "cleared"));
    for (found, state) in [(&raised, "raised"), (&cleared, "cleared")] {
        let missing = FINDINGS.iter().filter(|finding| !found.contains(*finding));
        wrong.extend(missing.map(|finding| format!("{finding} is {state} in no case")));
    }
    if !wrong.is_empty() {
        println!("{}", wrong.join("\n"));
        return Err(Outcome::Failed(wrong.join("; ")));
    }
    Ok(Outcome::Passed(format!(
        "{} traces, {} events, {} findings raised, {} cleared, hash {:016x}",
        cases.len(),
        all_events.lines().count(),
        raised.len(),
        cleared.len(),
        hash(&all_events)
    )))
}

/// Turns over one bit of each feed and expects other events: the same ones as the host's, on every board.
pub(crate) fn flipped_bit(places: &Places, boards: &[Board]) -> Result<Outcome, Outcome> {
    let mut flipped_feeds = 0;
    for case in cases(places)? {
        let feed = case.feed(places)?;
        let whole = format!("{}.whole.jsonl", case.name);
        run_on_host(places, &feed, &whole)?;
        let whole = read_events(places, &whole)?;
        if !whole.contains("\"state\":\"raised\"") {
            println!("{}: raises nothing, so no bit of it shows", case.name);
            continue;
        }
        let flipped = format!("{}.flipped.feed", case.name);
        let mut command = Command::new(places.host_binary("feed-writer"));
        let bit = output(command.current_dir(places.work()).args(["flip", &feed, "-o", &flipped]))?;
        let on_host = format!("{}.flipped.host.jsonl", case.name);
        run_on_host(places, &flipped, &on_host)?;
        let expected = read_events(places, &on_host)?;
        for board in boards {
            let events = format!("{}.flipped.{}.jsonl", case.name, board.name);
            board.run(places, &flipped, &events, &[])?;
            let found = read_events(places, &events)?;
            if hash(&found) == hash(&whole) {
                return Err(Outcome::Failed(format!(
                    "{}: {} does not see the flipped bit {bit}",
                    case.name, board.name
                )));
            }
            if let Some(difference) = difference(&expected, &found) {
                return Err(Outcome::Failed(format!("{}: {} with {bit}: {difference}", case.name, board.name)));
            }
        }
        flipped_feeds += 1;
        print!("{}: {bit}", case.name);
    }
    if flipped_feeds == 0 {
        return Err(Outcome::Failed("no case raises anything".to_owned()));
    }
    Ok(Outcome::Passed(format!("{flipped_feeds} feeds on {} boards", boards.len())))
}

/// A count of the host that the board does not have. The board may print more than the host: its stack.
pub(crate) fn miscount(host_counts: &str, board_counts: &str) -> Option<String> {
    let missing = host_counts.lines().find(|line| !board_counts.lines().any(|found| found == *line))?;
    Some(format!("the host counts {missing}, the board does not: {board_counts}"))
}

/// The first line in which two event files differ.
pub(crate) fn difference(host: &str, board: &str) -> Option<String> {
    if host == board {
        return None;
    }
    let (mut host_lines, mut board_lines) = (host.lines(), board.lines());
    for line in 1_u32.. {
        let (expected, found) = (host_lines.next(), board_lines.next());
        if expected != found {
            let shown = |text: Option<&str>| text.unwrap_or("nothing").to_owned();
            return Some(format!("line {line}: host {}, board {}", shown(expected), shown(found)));
        }
        if expected.is_none() {
            break;
        }
    }
    Some("they differ in their line ends".to_owned())
}

/// Findings with an event of that state.
pub(crate) fn findings<'a>(events: &'a str, state: &str) -> BTreeSet<&'a str> {
    let marker = format!("\"state\":\"{state}\"");
    let with_state = events.lines().filter(|line| line.contains(&marker));
    with_state.filter_map(|line| line.split_once("\"finding\":\"")?.1.split('"').next()).collect()
}

/// FNV-1a, 64 bit: enough to name a set of events in a log.
pub(crate) fn hash(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_difference_is_named() {
        let cases = [
            ("equal", "a\nb\n", "a\nb\n", None),
            ("other line", "a\nb\n", "a\nc\n", Some("line 2: host b, board c")),
            ("cut off", "a\nb\n", "a\n", Some("line 2: host b, board nothing")),
            ("line end", "a\nb\n", "a\nb", Some("they differ in their line ends")),
        ];
        for (name, host, board, expected) in cases {
            assert_eq!(difference(host, board).as_deref(), expected, "{name}");
        }
    }

    #[test]
    fn a_count_that_differs_is_named_and_a_surplus_one_is_not() {
        let host = "rows=5\nreadings_hash=17\n";
        let cases = [
            ("equal, with the stack", "rows=5\nreadings_hash=17\nstack_bytes=900\n", None),
            ("another hash", "rows=5\nreadings_hash=18\n", Some("the host counts readings_hash=17,")),
            ("one missing", "readings_hash=17\n", Some("the host counts rows=5,")),
        ];
        for (name, board, expected) in cases {
            let found = miscount(host, board);
            assert_eq!(found.is_some(), expected.is_some(), "{name}: {found:?}");
            assert!(expected.is_none_or(|beginning| found.is_some_and(|text| text.starts_with(beginning))), "{name}");
        }
    }

    #[test]
    fn findings_are_counted_by_state() {
        let events = concat!(
            "{\"finding\":\"dry-start\",\"state\":\"raised\"}\n",
            "{\"finding\":\"dry-start\",\"state\":\"cleared\"}\n",
            "{\"finding\":\"over-speed\",\"state\":\"raised\"}\n",
        );
        assert_eq!(findings(events, "raised").len(), 2);
        assert_eq!(findings(events, "cleared").into_iter().collect::<Vec<_>>(), ["dry-start"]);
    }

    #[test]
    fn the_hash_is_the_published_one() {
        // Test vectors of the function's authors.
        for (text, expected) in
            [("", 0xcbf2_9ce4_8422_2325), ("a", 0xaf63_dc4c_8601_ec8c), ("foobar", 0x8594_4171_f739_67e8)]
        {
            assert_eq!(hash(text), expected, "{text}");
        }
    }
}
