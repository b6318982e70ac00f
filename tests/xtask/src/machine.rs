//! An emulated board that a debugger stops and resets, with its console.

use std::env;
use std::fs::{self, File};
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::gdb::Debugger;
use crate::tool::is_there;

/// Told apart by number, because several may run at a time.
static MACHINES: AtomicU32 = AtomicU32::new(0);

/// A machine that waits for its debugger. It is ended when this is dropped, whatever happened.
#[derive(Debug)]
pub(crate) struct Machine {
    child: Child,
    socket: PathBuf,
    log: PathBuf,
    console: Console,
    /// The debugger's hold on it.
    pub(crate) debugger: Debugger,
}

impl Machine {
    /// Starts `image` with two arguments; the processor stands before its first instruction. What the board writes to
    /// its console goes through a file in `work`.
    pub(crate) fn start(work: &Path, image: &Path, arguments: [&str; 2]) -> Result<Self, String> {
        let number = MACHINES.fetch_add(1, Ordering::Relaxed);
        let log = work.join(format!("machine-{number}.log"));
        // The name of a socket must be short, which the work folder may not be.
        let socket = env::temp_dir().join(format!("xtask-{}-{number}.gdb", std::process::id()));
        let said = |error: std::io::Error| format!("{}: {error}", log.display());
        let output = File::create(&log).map_err(said)?;
        let errors = output.try_clone().map_err(said)?;
        let [first, second] = arguments;
        let mut child = emulator()
            .args(["-machine", "microbit", "-display", "none", "-monitor", "none", "-serial", "none", "-S"])
            .arg("-semihosting-config")
            .arg(format!("enable=on,target=native,arg={first},arg={second}"))
            .arg("-chardev")
            .arg(format!("socket,id=debugger,path={},server=on,wait=off", socket.display()))
            .args(["-gdb", "chardev:debugger", "-kernel"])
            .arg(image)
            .stdin(Stdio::null())
            .stdout(output)
            .stderr(errors)
            .spawn()
            .map_err(|error| format!("qemu-system-arm: {error}"))?;
        let console = Console::open(&log);
        let connected = Debugger::connect(&socket);
        match console.and_then(|console| connected.map(|debugger| (console, debugger))) {
            Ok((console, debugger)) => Ok(Self { child, socket, log, console, debugger }),
            Err(why) => {
                let ended = end(&mut child, &socket);
                let said = fs::read_to_string(&log).unwrap_or_default();
                Err(format!("{why}{} {}", ended.err().unwrap_or_default(), said.trim_end()))
            }
        }
    }

    /// The lines that the board has written since this was last asked. All that it wrote before it was stopped is there.
    pub(crate) fn lines(&mut self) -> Result<Vec<String>, String> {
        self.console.lines().map_err(|error| format!("{}: {error}", self.log.display()))
    }

    /// Lets the board run until it has written a line that begins with `beginning`, and stops it.
    pub(crate) fn run_until(&mut self, beginning: &str, limit: Duration) -> Result<Vec<String>, String> {
        self.debugger.go()?;
        let start = Instant::now();
        let mut lines = Vec::new();
        while !lines.iter().any(|line: &String| line.starts_with(beginning)) {
            if start.elapsed() > limit {
                return Err(format!("the board does not say {beginning} within {} s", limit.as_secs()));
            }
            sleep(Duration::from_millis(1));
            lines.extend(self.lines()?);
        }
        self.debugger.interrupt()?;
        lines.extend(self.lines()?);
        Ok(lines)
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        if let Err(why) = end(&mut self.child, &self.socket) {
            eprintln!("{why}");
        }
    }
}

/// Left alone, an emulator would go on for ever: so it also ends with the thread that started it, where the system can
/// be asked for that.
fn emulator() -> Command {
    if !is_there("setpriv") {
        return Command::new("qemu-system-arm");
    }
    let mut command = Command::new("setpriv");
    command.args(["--pdeathsig", "KILL", "qemu-system-arm"]);
    command
}

fn end(child: &mut Child, socket: &Path) -> Result<(), String> {
    let ended = child.kill().and_then(|()| child.wait());
    // It is not there if the emulator never made it.
    let _ = fs::remove_file(socket);
    ended.map(drop).map_err(|error| format!("the emulator, process {}, cannot be ended: {error}", child.id()))
}

/// A file that grows, read line by line.
#[derive(Debug)]
struct Console {
    file: File,
    read_bytes: u64,
    /// What was read of a line that has not ended.
    rest: String,
}

impl Console {
    fn open(path: &Path) -> Result<Self, String> {
        let file = File::open(path).map_err(|error| format!("{}: {error}", path.display()))?;
        Ok(Self { file, read_bytes: 0, rest: String::new() })
    }

    fn lines(&mut self) -> std::io::Result<Vec<String>> {
        self.file.seek(SeekFrom::Start(self.read_bytes))?;
        let mut bytes = Vec::new();
        let count = self.file.read_to_end(&mut bytes)?;
        self.read_bytes += u64::try_from(count).unwrap_or(0);
        self.rest.push_str(&String::from_utf8_lossy(&bytes));
        let mut lines = Vec::new();
        while let Some((line, rest)) = self.rest.split_once('\n') {
            lines.push(line.to_owned());
            self.rest = rest.to_owned();
        }
        Ok(lines)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn a_line_is_handed_out_when_it_has_ended() {
        let path = env::temp_dir().join(format!("xtask-test-console-{}.log", std::process::id()));
        let mut writer = File::create(&path).unwrap();
        let mut console = Console::open(&path).unwrap();
        let steps: [(&str, &[&str]); 4] =
            [("boot=1\nhou", &["boot=1"]), ("", &[]), ("rs_ms=9\n", &["hours_ms=9"]), ("a\nb\n", &["a", "b"])];
        for (written, expected) in steps {
            writer.write_all(written.as_bytes()).unwrap();
            assert_eq!(console.lines().unwrap(), expected, "after {written:?}");
        }
        fs::remove_file(&path).unwrap();
    }
}
