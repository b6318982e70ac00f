//! The command line.

use std::ffi::OsString;
use std::path::PathBuf;

use sim_host::problem::{Exit, Problem};

/// What to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Task {
    /// Make a feed from traces.
    Encode { profile: PathBuf, actions: Option<PathBuf>, feed: PathBuf, traces: Vec<PathBuf> },
    /// Run a feed on the host.
    Run { feed: PathBuf, events: PathBuf },
    /// Turn over one bit of a feed.
    Flip { feed: PathBuf, other: PathBuf },
    /// Tell the story of the bench on the host.
    Bench { events: PathBuf },
}

pub(crate) fn parse(arguments: impl IntoIterator<Item = OsString>) -> Result<Task, Problem> {
    let mut arguments = arguments.into_iter();
    let word = arguments.next().ok_or_else(|| usage("No task"))?;
    let (mut profile, mut actions, mut output) = (None, None, None);
    let mut files = Vec::new();
    while let Some(argument) = arguments.next() {
        let slot = match argument.to_str() {
            Some("--profile") => &mut profile,
            Some("--actions") => &mut actions,
            Some("-o") => &mut output,
            Some(option) if option.starts_with('-') => return Err(usage(&format!("Unknown option {option}"))),
            _ => {
                files.push(PathBuf::from(argument));
                continue;
            }
        };
        let value = arguments.next().ok_or_else(|| usage("An option without its file"))?;
        *slot = Some(PathBuf::from(value));
    }
    let output = output.ok_or_else(|| usage("No -o"))?;
    match (word.to_str(), files.as_slice()) {
        (Some("encode"), [_, ..]) => {
            let profile = profile.ok_or_else(|| usage("No --profile"))?;
            Ok(Task::Encode { profile, actions, feed: output, traces: files })
        }
        (Some("run"), [feed]) => Ok(Task::Run { feed: feed.clone(), events: output }),
        (Some("flip"), [feed]) => Ok(Task::Flip { feed: feed.clone(), other: output }),
        (Some("bench"), []) => Ok(Task::Bench { events: output }),
        _ => Err(usage("Unknown task, or another number of files than the task takes")),
    }
}

fn usage(cause: &str) -> Problem {
    Problem::new(
        Exit::Usage,
        cause,
        "Use: encode --profile P [--actions A] -o FEED TRACE… | run FEED -o EVENTS | flip FEED -o OTHER | bench -o EVENTS",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse_words(words: &str) -> Result<Task, Problem> {
        parse(words.split_whitespace().map(OsString::from))
    }

    #[test]
    fn tasks_are_understood() {
        let path = PathBuf::from;
        let encode = Task::Encode {
            profile: path("p"),
            actions: Some(path("a")),
            feed: path("f"),
            traces: vec![path("t"), path("u")],
        };
        let cases = [
            ("encode t --profile p --actions a -o f u", encode),
            ("run f -o e", Task::Run { feed: path("f"), events: path("e") }),
            ("flip -o g f", Task::Flip { feed: path("f"), other: path("g") }),
            ("bench -o e", Task::Bench { events: path("e") }),
        ];
        for (words, expected) in cases {
            assert_eq!(parse_words(words), Ok(expected), "{words}");
        }
    }

    #[test]
    fn mistakes_are_named() {
        let cases = [
            ("", "No task"),
            ("run f", "No -o"),
            ("run f -o", "An option without its file"),
            ("run f g -o e", "Unknown task"),
            ("encode -o f t", "No --profile"),
            ("bench f -o e", "Unknown task"),
            ("encode --profile p -o f", "Unknown task"),
            ("run --fast f -o e", "Unknown option --fast"),
        ];
        for (words, expected) in cases {
            let problem = parse_words(words).unwrap_err();
            assert!(problem.cause.starts_with(expected), "{words}: {problem}");
            assert_eq!(problem.exit, Exit::Usage, "{words}");
        }
    }
}
