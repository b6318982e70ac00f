//! `--install`: brings what the steps need.

use std::process::Command;

use crate::cross::{Cross, TARGETS};
use crate::plan::Outcome;
use crate::tool::{Places, is_there, run};

/// Debian's compiler with the sources of `core`, its lints and a linker.
const CROSS_PACKAGES: [&str; 5] = ["rustc-web", "cargo-web", "rust-web-src", "rust-web-clippy", "lld"];

/// Programs that the steps call, and the Debian package that brings each.
const PROGRAMS: [(&str, &str); 3] =
    [("qemu-system-arm", "qemu-system-arm"), ("qemu-system-riscv32", "qemu-system-misc"), ("cc", "gcc libc6-dev")];

/// Installs what is missing.
pub(crate) fn install(places: &Places) -> Outcome {
    install_missing(places).into()
}

fn install_missing(places: &Places) -> Result<Outcome, Outcome> {
    let mut installed = Vec::new();
    if Cross::find().is_err() {
        if add_targets(places) {
            installed.push(TARGETS.join(" "));
        } else {
            apt_get(&CROSS_PACKAGES)?;
            installed.extend(CROSS_PACKAGES.map(str::to_owned));
        }
        // Installed and still not found: say what is missing.
        Cross::find()?;
    }
    let missing = PROGRAMS.iter().filter(|(program, _)| !is_there(program));
    let packages: Vec<&str> = missing.flat_map(|(_, package)| package.split(' ')).collect();
    if !packages.is_empty() {
        apt_get(&packages)?;
        installed.extend(packages.iter().map(|package| (*package).to_owned()));
    }
    if installed.is_empty() {
        return Ok(Outcome::Passed("nothing was missing".to_owned()));
    }
    Ok(Outcome::Passed(format!("installed {}", installed.join(" "))))
}

/// Whether rustup could bring the targets. It cannot where its server is out of reach or the compiler is not its own.
fn add_targets(places: &Places) -> bool {
    let mut command = Command::new("rustup");
    command.args(["target", "add"]).args(TARGETS).current_dir(&places.root);
    is_there("rustup") && run(&mut command).is_ok() && Cross::find().is_ok()
}

fn apt_get(packages: &[&str]) -> Result<(), Outcome> {
    if !is_there("apt-get") {
        let wanted = packages.join(" ");
        return Err(Outcome::Failed(format!(
            "no apt-get here; install by hand what these Debian packages hold: {wanted}"
        )));
    }
    run(root_command().args(["apt-get", "update"]))?;
    run(root_command().args(["apt-get", "install", "--yes", "--no-install-recommends"]).args(packages))
}

/// Something that runs its arguments as root: `env` for root itself, `sudo` for others.
fn root_command() -> Command {
    let is_root = crate::tool::output(Command::new("id").arg("-u")).is_ok_and(|id| id.trim_end() == "0");
    let mut command = Command::new(if is_root { "env" } else { "sudo" });
    if is_root {
        command.arg("DEBIAN_FRONTEND=noninteractive");
    }
    command
}
