//! The compiler for the boards: rustup's targets where they are installed, or else Debian's compiler, which brings the
//! sources of `core` to build for any target.

use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::plan::Outcome;
use crate::tool::{Places, is_there, output};

/// Targets of the boards.
pub(crate) const TARGETS: [&str; 2] = [M0, RV32];
/// Cortex-M0.
pub(crate) const M0: &str = "thumbv6m-none-eabi";
/// 32-bit RISC-V with compressed instructions and multiplication.
pub(crate) const RV32: &str = "riscv32imc-unknown-none-elf";

/// Where Debian's packages put their compiler, whatever else is on the path.
const DEBIAN_BIN: &str = "/usr/bin";

/// A compiler that can build for the boards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Cross {
    /// The host's own, with the targets installed.
    Rustup,
    /// Debian's, which builds `core` itself.
    Debian,
}

impl Cross {
    /// The compiler that is there, or what is missing.
    pub(crate) fn find() -> Result<Self, Outcome> {
        if rustup_has_targets() {
            return Ok(Self::Rustup);
        }
        let compiler = debian("rustc");
        let sources = sysroot(&compiler).map(|root| root.join("lib/rustlib/src/rust/library/core"));
        if debian("cargo").is_file() && sources.is_some_and(|folder| folder.is_dir()) && is_there("ld.lld") {
            return Ok(Self::Debian);
        }
        let targets = TARGETS.join(" and ");
        Err(Outcome::LeftOut(format!("no compiler for {targets}; cargo xtask test --install brings one")))
    }

    /// A cargo that builds with this compiler, in `folder`.
    pub(crate) fn cargo(self, places: &Places, folder: &Path) -> Command {
        let mut command = match self {
            Self::Rustup => places.cargo(),
            Self::Debian => debian_cargo(),
        };
        command.current_dir(folder).env("CARGO_TARGET_DIR", places.cross_target());
        command
    }

    /// The version of the compiler, for the record.
    pub(crate) fn version(self) -> Result<String, Outcome> {
        let compiler = match self {
            Self::Rustup => env::var_os("RUSTC").map_or_else(|| PathBuf::from("rustc"), PathBuf::from),
            Self::Debian => debian("rustc"),
        };
        output(Command::new(compiler).arg("--version")).map(|text| text.trim_end().to_owned())
    }
}

/// All that is peculiar to Debian's compiler is said here, so that nobody else needs it in a configuration file.
fn debian_cargo() -> Command {
    let mut command = Command::new(debian("cargo"));
    command
        .env("RUSTC", debian("rustc"))
        // Building `core` from source is an unstable option, which a stable compiler takes with this variable only.
        .env("RUSTC_BOOTSTRAP", "1")
        .env("CARGO_UNSTABLE_BUILD_STD", "core,alloc")
        .env("CARGO_TARGET_THUMBV6M_NONE_EABI_LINKER", "ld.lld")
        .env("CARGO_TARGET_RISCV32IMC_UNKNOWN_NONE_ELF_LINKER", "ld.lld")
        // Set by the cargo that runs this program, for its own compiler.
        .env_remove("RUSTUP_TOOLCHAIN")
        .env_remove("LD_LIBRARY_PATH");
    // cargo looks for its subcommands on the path, and rustup's would come first.
    let path = env::var_os("PATH").unwrap_or_default();
    let folders = std::iter::once(PathBuf::from(DEBIAN_BIN)).chain(env::split_paths(&path));
    if let Ok(path) = env::join_paths(folders) {
        command.env("PATH", path);
    }
    command
}

/// A program of Debian's packages.
pub(crate) fn debian(program: &str) -> PathBuf {
    Path::new(DEBIAN_BIN).join(program)
}

fn rustup_has_targets() -> bool {
    let Some(root) = sysroot(Path::new("rustc")) else { return false };
    TARGETS.iter().all(|target| root.join("lib/rustlib").join(target).join("lib").is_dir())
}

fn sysroot(compiler: &Path) -> Option<PathBuf> {
    let text = output(Command::new(compiler).args(["--print", "sysroot"])).ok()?;
    Some(PathBuf::from(text.trim_end()))
}
