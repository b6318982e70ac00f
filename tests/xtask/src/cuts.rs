//! Power cuts of the store on the simulated flash, as many as the design asks for.

use std::thread;

use crate::plan::Outcome;
use crate::tool::{Places, output};

/// Fewer cuts, or operations asked of the store, are not enough.
const LEAST_CUTS: u64 = 1_000_000;
const LEAST_OPERATIONS: u64 = 100_000;

/// Tests that cut the power and say how often: package, what picks its tests, what picks among them.
const RUNS: [(&str, &[&str], &[&str]); 3] = [
    ("monitor-core", &["--test", "store_*"], &[]),
    ("monitor-core", &["--test", "store_hours"], &["--ignored"]),
    ("board-app", &["--lib", "endurance"], &["--ignored"]),
];

/// Runs them at the same time, built to be fast, and adds up.
pub(crate) fn cut(places: &Places) -> Result<Outcome, Outcome> {
    let texts = thread::scope(|scope| {
        let runs = RUNS.map(|(package, tests, picked)| {
            scope.spawn(move || {
                let mut command = places.cargo();
                command.args(["test", "--release", "--package", package]).args(tests);
                output(command.arg("--").arg("--nocapture").args(picked))
            })
        });
        runs.map(|run| run.join().unwrap_or_else(|_| Err(Outcome::Failed("a run panicked".to_owned()))))
    });
    let (mut cuts, mut operations) = (0, 0);
    for text in texts {
        for line in text?.lines() {
            let (more_cuts, more_operations) = (count(line, "cuts"), count(line, "operations"));
            if more_cuts > 0 {
                println!("{line}");
            }
            cuts += more_cuts;
            operations += more_operations;
        }
    }
    let told = format!("{cuts} cuts of at least {LEAST_CUTS}, {operations} operations of at least {LEAST_OPERATIONS}");
    let enough = cuts >= LEAST_CUTS && operations >= LEAST_OPERATIONS;
    Ok(if enough { Outcome::Passed(told) } else { Outcome::Failed(told) })
}

/// The number that stands before `word` in a line that tells of cuts; what a test runner put before it is passed over.
fn count(line: &str, word: &str) -> u64 {
    let Some((before, _)) = line.split_once(&format!(" {word}")) else { return 0 };
    if !line.contains(" cuts") {
        return 0;
    }
    let digits = before.len() - before.trim_end_matches(|character: char| character.is_ascii_digit()).len();
    before[before.len() - digits..].parse().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cuts_and_operations_are_found_in_a_line() {
        let report = "5600 cuts (912 first, 4688 second, 0 third), 7941 operations, 33607 openings, 0 breaches";
        let cases = [
            ("a report", report, 5_600, 7_941),
            ("behind the dots of the runner", "..5600 cuts (5600 first), 7 operations", 5_600, 7),
            ("behind the name of the test", "test every_cut ... 12 cuts, 34 operations", 12, 34),
            ("cuts only", "377 cuts in 532677 s, at most 9000 ms of running lost", 377, 0),
            ("another count", "  each operation (75): 4.906 word writes", 0, 0),
            ("operations without cuts", "34 operations", 0, 0),
            ("nothing", "test result: ok. 9 passed", 0, 0),
            ("a word without a number", "no cuts, no operations", 0, 0),
        ];
        for (name, line, cuts, operations) in cases {
            assert_eq!((count(line, "cuts"), count(line, "operations")), (cuts, operations), "{name}");
        }
    }
}
