//! Steps that need nothing but the host's Rust toolchain.

use std::env;
use std::path::PathBuf;

use crate::cuts;
use crate::plan::{Outcome, Plan};
use crate::tool::{Places, run};

const RECORDINGS: &str = "LOOKASTERN_RECORDINGS";

/// Format, lints, tests, recordings, documentation.
pub(crate) fn steps(plan: &mut Plan, places: &Places) {
    plan.step("format", || cargo(places, &["fmt", "--all", "--check"]));
    plan.step("clippy", || {
        cargo(places, &["clippy", "--workspace", "--all-targets", "--all-features", "--", "-D", "warnings"])
    });
    plan.step("host tests", || {
        // The recordings have a step of their own, built to be fast.
        let mut command = places.cargo();
        command.args(["test", "--workspace", "--no-fail-fast"]).env_remove(RECORDINGS);
        run(&mut command).map(|()| Outcome::passed()).into()
    });
    plan.step("parquet", || {
        cargo(places, &["test", "--package", "sim-host", "--features", "parquet", "--test", "cli", "--", "parquet"])
    });
    plan.step("power cuts", || cuts::cut(places).into());
    plan.step("fuzz properties", || fuzz_properties(places).into());
    plan.step("recordings", || recordings(places).into());
    plan.step("docs", || {
        let mut command = places.cargo();
        command
            .args(["doc", "--workspace", "--no-deps", "--document-private-items"])
            .env("RUSTDOCFLAGS", "-D warnings");
        run(&mut command).map(|()| Outcome::passed()).into()
    });
}

fn cargo(places: &Places, arguments: &[&str]) -> Outcome {
    run(places.cargo().args(arguments)).map(|()| Outcome::passed()).into()
}

/// The properties of the fuzz targets on random input, with the host's own compiler. The fuzzer itself needs another one;
/// `.ci/long` runs it.
fn fuzz_properties(places: &Places) -> Result<Outcome, Outcome> {
    const WITHOUT_FUZZER: &str = "--no-default-features";
    let commands: [&[&str]; 3] = [
        &["fmt", "--check"],
        &["clippy", "--release", WITHOUT_FUZZER, "--all-targets", "--", "-D", "warnings"],
        &["test", "--release", WITHOUT_FUZZER],
    ];
    for arguments in commands {
        run(places.cargo().current_dir(places.root.join("fuzz")).args(arguments))?;
    }
    Ok(Outcome::passed())
}

/// Builds the host programs that the comparisons call.
pub(crate) fn build_programs(places: &Places) -> Result<(), Outcome> {
    run(places.cargo().args(["build", "--release", "--package", "sim-host", "--package", "feed-writer"]))
}

fn recordings(places: &Places) -> Result<Outcome, Outcome> {
    let Some(folder) = env::var_os(RECORDINGS).filter(|folder| !folder.is_empty()).map(PathBuf::from) else {
        return Err(Outcome::LeftOut(format!("{RECORDINGS} is not set; set it to the folder with the recordings")));
    };
    if !folder.is_dir() {
        let cause = format!("{RECORDINGS} names {}, which is no folder", folder.display());
        return Err(Outcome::Failed(cause));
    }
    // From where the tests run, a relative folder would be another one.
    let folder = folder.canonicalize().map_err(|error| Outcome::Failed(format!("{}: {error}", folder.display())))?;
    build_programs(places)?;
    let mut command = places.cargo();
    command.args(["test", "--release", "--package", "lookastern-tests", "--test", "recordings"]);
    run(command.env(RECORDINGS, &folder))?;
    // The captured edges need the drivers only, as they were built for the host tests.
    let mut captures = places.cargo();
    captures.args(["test", "--package", "monitor-core", "--test", "pulse_captures", "--", "--nocapture"]);
    run(captures.env(RECORDINGS, folder))?;
    Ok(Outcome::passed())
}
