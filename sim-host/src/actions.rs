//! What people do during a replay: the rows of `--actions`.

use std::path::Path;

use monitor_core::command::Command;
use monitor_core::finding::Finding;
use monitor_core::time::Instant;

use crate::problem::{Exit, Problem};
use crate::profile::read_small_text;
use crate::suggest;
use crate::trace::decimal::{Decimal, Scale};

const HEADER: [&str; 4] = ["trip", "t_s", "action", "finding"];
const WORDS: [&str; 9] =
    ["acknowledge", "silence", "shelve", "unshelve", "out-of-service", "in-service", "reset", "suppress", "unsuppress"];

/// One row: what somebody does in a trip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Action {
    /// The trip, counted as on the command line.
    pub trip: i16,
    /// Done at the first decision tick at or after this stamp.
    pub at: Instant,
    /// What is asked of the monitor.
    pub command: Command,
}

/// Reads an actions file.
///
/// # Errors
/// A file that cannot be read, without its header, or with a row that cannot be understood: exit code 2, with file,
/// line, cause and remedy.
pub fn load(path: &Path) -> Result<Vec<Action>, Problem> {
    parse(&read_small_text(path, "actions file")?).map_err(|problem| problem.in_file(path))
}

fn parse(text: &str) -> Result<Vec<Action>, Problem> {
    let mut rows = (1..)
        .zip(text.lines())
        .map(|(number, line)| (number, line.trim()))
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'));
    let remedy = "Make the first line `trip,t_s,action,finding`";
    let Some((number, header)) = rows.next() else {
        return Err(Problem::new(Exit::Usage, "The actions file is empty", remedy));
    };
    if cells(header) != HEADER {
        return Err(Problem::new(Exit::Usage, "The header is not `trip,t_s,action,finding`", remedy).at_line(number));
    }
    rows.map(|(number, line)| parse_row(line).map_err(|problem| problem.at_line(number))).collect()
}

fn cells(line: &str) -> Vec<&str> {
    let unquoted = |cell: &'_ str| cell.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).map(str::len);
    line.split(',')
        .map(str::trim)
        .map(|cell| unquoted(cell).and_then(|length| cell.get(1..=length)).unwrap_or(cell).trim())
        .collect()
}

fn parse_row(line: &str) -> Result<Action, Problem> {
    let cells = cells(line);
    let [trip, t_s, action, finding] = cells[..] else {
        let cause = format!("The row has {} cells, not 4", cells.len());
        return Err(Problem::new(
            Exit::Usage,
            cause,
            "Write trip,t_s,action,finding; a blank finding means all open ones",
        ));
    };
    let trip = trip.parse().ok().filter(|trip| *trip >= -1).ok_or_else(|| {
        let cause = format!("The trip `{trip}` is not a whole number from -1");
        Problem::new(Exit::Usage, cause, "The first trace is trip 0, the next trip 1")
    })?;
    let millis = Decimal::parse(t_s.as_bytes()).map(|number| number.to_steps(Scale::ratio(1_000, 1)));
    let at = millis.map(Instant::from_millis).ok_or_else(|| {
        let cause = format!("The time `{t_s}` is not a number");
        Problem::new(Exit::Usage, cause, "Give t_s in seconds, on the clock of the trace")
    })?;
    Ok(Action { trip, at, command: parse_command(action, parse_finding(finding)?)? })
}

fn parse_finding(name: &str) -> Result<Option<Finding>, Problem> {
    if name.is_empty() {
        return Ok(None);
    }
    Finding::from_name(name).map(Some).ok_or_else(|| {
        let remedy = suggest::remedy(name, &Finding::ALL.map(Finding::name));
        Problem::new(Exit::Usage, format!("Unknown finding `{name}`"), remedy)
    })
}

fn parse_command(word: &str, finding: Option<Finding>) -> Result<Command, Problem> {
    Ok(match word {
        "acknowledge" => Command::Acknowledge(finding),
        "silence" => Command::Silence(finding),
        "shelve" => Command::Shelve { finding, minutes: Command::SHELVE_MAX_MINUTES },
        "unshelve" => Command::Unshelve(finding),
        "out-of-service" => Command::OutOfService(finding),
        "in-service" => Command::InService(finding),
        "reset" => Command::Reset(finding),
        "suppress" => Command::Suppress(finding),
        "unsuppress" => Command::Unsuppress(finding),
        other => match other.strip_prefix("shelve:") {
            Some(minutes) => Command::Shelve { finding, minutes: parse_shelve_minutes(minutes)? },
            None => {
                let remedy = suggest::remedy(other, &WORDS);
                return Err(Problem::new(Exit::Usage, format!("Unknown action `{other}`"), remedy));
            }
        },
    })
}

fn parse_shelve_minutes(text: &str) -> Result<u8, Problem> {
    let allowed = 1..=Command::SHELVE_MAX_MINUTES;
    text.parse().ok().filter(|minutes| allowed.contains(minutes)).ok_or_else(|| {
        let cause = format!("A finding cannot be shelved for `{text}` minutes");
        Problem::new(Exit::Usage, cause, "Write shelve:N with N from 1 to 30, or shelve for 30 minutes")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "trip,t_s,action,finding\n";

    #[test]
    fn every_action_is_understood() {
        let stream_lost = Some(Finding::StreamLost);
        let cases = [
            ("acknowledge,stream-lost", Command::Acknowledge(stream_lost)),
            ("acknowledge,", Command::Acknowledge(None)),
            ("silence,", Command::Silence(None)),
            ("shelve,", Command::Shelve { finding: None, minutes: 30 }),
            ("shelve:1,stream-lost", Command::Shelve { finding: stream_lost, minutes: 1 }),
            ("shelve:30,", Command::Shelve { finding: None, minutes: 30 }),
            ("unshelve,", Command::Unshelve(None)),
            ("out-of-service,", Command::OutOfService(None)),
            ("in-service,", Command::InService(None)),
            ("reset,", Command::Reset(None)),
            ("suppress,", Command::Suppress(None)),
            ("\"unsuppress\",\"stream-lost\"", Command::Unsuppress(stream_lost)),
        ];
        for (row, command) in cases {
            let actions = parse(&format!("# by hand\r\n{HEAD}\r\n2,12.5,{row}\r\n"));
            let expected = Action { trip: 2, at: Instant::from_millis(12_500), command };
            assert_eq!(actions, Ok(vec![expected]), "{row}");
        }
    }

    #[test]
    fn a_row_that_cannot_be_understood_is_named_with_its_line() {
        let cases = [
            ("no header", "0,1,reset,", 1, "header"),
            ("too few cells", "trip,t_s,action,finding\n0,1,reset", 2, "3 cells"),
            ("trip", "trip,t_s,action,finding\n-2,1,reset,", 2, "trip `-2`"),
            ("time", "trip,t_s,action,finding\n0,soon,reset,", 2, "time `soon`"),
            ("action", "trip,t_s,action,finding\n\n0,1,rest,", 3, "action `rest`"),
            ("finding", "trip,t_s,action,finding\n0,1,reset,stream-los", 2, "finding `stream-los`"),
            ("no minutes", "trip,t_s,action,finding\n0,1,shelve:,", 2, "`` minutes"),
            ("0 minutes", "trip,t_s,action,finding\n0,1,shelve:0,", 2, "`0` minutes"),
            ("31 minutes", "trip,t_s,action,finding\n0,1,shelve:31,", 2, "`31` minutes"),
        ];
        for (name, text, line, cause) in cases {
            let problem = parse(text).expect_err(name);
            assert_eq!((problem.exit, problem.line), (Exit::Usage, Some(line)), "{name}");
            assert!(problem.cause.contains(cause), "{name}: {problem}");
        }
    }

    #[test]
    fn a_near_miss_is_answered_with_the_nearest_word() {
        for (row, nearest) in [("0,1,acknowlege,", "acknowledge"), ("0,1,reset,stream-los", "stream-lost")] {
            let problem = parse(&format!("{HEAD}{row}")).expect_err(row);
            assert!(problem.remedy.contains(nearest), "{problem}");
        }
    }

    proptest::proptest! {
        #[test]
        fn any_text_is_understood_or_refused(text in "\\PC{0,80}", row in "[-0-9a-z.,:\" ]{0,40}") {
            let _ = parse(&text);
            if let Err(problem) = parse(&format!("{HEAD}{row}")) {
                proptest::prop_assert_eq!((problem.exit, problem.line), (Exit::Usage, Some(2)));
            }
        }
    }
}
