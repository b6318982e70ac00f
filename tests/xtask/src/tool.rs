//! Where things are, and running programs.

use std::env;
use std::ffi::OsStr;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::plan::Outcome;

/// Folders that the steps use.
#[derive(Debug, Clone)]
pub(crate) struct Places {
    /// The checkout.
    pub(crate) root: PathBuf,
    /// What cargo builds for the host.
    pub(crate) target: PathBuf,
}

impl Places {
    /// For the checkout at `root`; honours `CARGO_TARGET_DIR`.
    pub(crate) fn of(root: &Path) -> Self {
        let target = env::var_os("CARGO_TARGET_DIR").map_or_else(|| root.join("target"), |dir| root.join(dir));
        Self { root: root.to_owned(), target }
    }

    /// The firmware workspace.
    pub(crate) fn boards(&self) -> PathBuf {
        self.root.join("boards")
    }

    /// What the cross compiler builds: kept apart, because it may be another compiler than the host's.
    pub(crate) fn cross_target(&self) -> PathBuf {
        self.target.join("cross")
    }

    /// Room for feeds, events and counts.
    pub(crate) fn work(&self) -> PathBuf {
        self.target.join("xtask")
    }

    /// A program of the host workspace, built in release.
    pub(crate) fn host_binary(&self, name: &str) -> PathBuf {
        self.target.join("release").join(name)
    }

    /// The host's cargo, in the checkout.
    pub(crate) fn cargo(&self) -> Command {
        let mut command = Command::new(env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
        command.current_dir(&self.root).env("CARGO_TARGET_DIR", &self.target);
        command
    }
}

/// Whether a program of that name is on the path.
pub(crate) fn is_there(program: &str) -> bool {
    find(program).is_some()
}

fn find(program: &str) -> Option<PathBuf> {
    let path = env::var_os("PATH")?;
    env::split_paths(&path).map(|folder| folder.join(program)).find(|file| file.is_file())
}

/// Runs a program whose output everybody may see.
pub(crate) fn run(command: &mut Command) -> Result<(), Outcome> {
    println!("$ {}", shown(command));
    let status = command.status().map_err(|error| Outcome::Failed(format!("{}: {error}", shown(command))))?;
    if status.success() { Ok(()) } else { Err(Outcome::Failed(format!("{} ended with {status}", shown(command)))) }
}

/// Runs a program for what it prints on standard output.
pub(crate) fn output(command: &mut Command) -> Result<String, Outcome> {
    let command_line = shown(command);
    let failed = |why: String| Outcome::Failed(format!("{command_line}: {why}"));
    let Output { status, stdout, stderr } = command.output().map_err(|error| failed(error.to_string()))?;
    if !status.success() {
        let said = String::from_utf8_lossy(&stderr);
        return Err(Outcome::Failed(format!("{command_line} ended with {status}\n{}", said.trim_end())));
    }
    String::from_utf8(stdout).map_err(|error| failed(error.to_string()))
}

/// What a program did that was given only so much time.
#[derive(Debug)]
pub(crate) struct Finished {
    /// Its exit code; absent if a signal ended it.
    pub(crate) code: Option<i32>,
    /// Standard output and standard error together.
    pub(crate) text: String,
}

/// Runs a program and ends it when it takes longer than `limit`. Its output goes through the file `log`.
pub(crate) fn run_within(command: &mut Command, limit: Duration, log: &Path) -> Result<Finished, Outcome> {
    let broken = |why: String| Outcome::Failed(format!("{}: {why}", log.display()));
    let file = File::create(log).map_err(|error| broken(error.to_string()))?;
    let second = file.try_clone().map_err(|error| broken(error.to_string()))?;
    let command_line = shown(command);
    let mut child = command
        .stdin(Stdio::null())
        .stdout(file)
        .stderr(second)
        .spawn()
        .map_err(|error| Outcome::Failed(format!("{command_line}: {error}")))?;
    let code = wait(&mut child, limit).map_err(|why| Outcome::Failed(format!("{command_line}: {why}")))?;
    let mut text = String::new();
    let mut file = File::open(log).map_err(|error| broken(error.to_string()))?;
    file.read_to_string(&mut text).map_err(|error| broken(error.to_string()))?;
    Ok(Finished { code, text })
}

fn wait(child: &mut Child, limit: Duration) -> Result<Option<i32>, String> {
    let start = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return Ok(status.code()),
            Ok(None) if start.elapsed() < limit => sleep(Duration::from_millis(5)),
            waited => {
                // Left alone, an emulator would go on for ever.
                let killed = child.kill().and_then(|()| child.wait().map(drop));
                let why = match waited {
                    Err(error) => error.to_string(),
                    Ok(_) => format!("not done after {} s", limit.as_secs()),
                };
                return Err(match killed {
                    Ok(()) => why,
                    Err(error) => format!("{why}, and cannot be ended: {error}"),
                });
            }
        }
    }
}

fn shown(command: &Command) -> String {
    let name = Path::new(command.get_program()).file_name().unwrap_or(OsStr::new("?"));
    let mut words = vec![name.to_string_lossy().into_owned()];
    words.extend(command.get_args().map(|argument| argument.to_string_lossy().into_owned()));
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shell(script: &str) -> Command {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        command
    }

    #[test]
    fn a_program_that_takes_too_long_is_ended() {
        let log = env::temp_dir().join(format!("xtask-test-{}.log", std::process::id()));
        let start = Instant::now();
        let outcome = run_within(&mut shell("exec sleep 60"), Duration::from_millis(100), &log);
        assert!(matches!(outcome, Err(Outcome::Failed(why)) if why.ends_with("not done after 0 s")));
        assert!(start.elapsed() < Duration::from_secs(30));

        let finished = run_within(&mut shell("echo out; echo err >&2; exit 7"), Duration::from_secs(30), &log).unwrap();
        assert_eq!((finished.code, finished.text.as_str()), (Some(7), "out\nerr\n"));
        std::fs::remove_file(&log).unwrap();
    }

    #[test]
    fn a_failure_is_told_with_what_the_program_said() {
        assert_eq!(output(&mut shell("echo fine")), Ok("fine\n".to_owned()));
        let failed = output(&mut shell("echo broken >&2; exit 1"));
        assert!(matches!(&failed, Err(Outcome::Failed(why)) if why.ends_with("exit status: 1\nbroken")), "{failed:?}");
        assert!(matches!(output(&mut Command::new("no-such-program")), Err(Outcome::Failed(_))));
    }
}
