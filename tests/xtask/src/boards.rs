//! Steps on the boards' side: builds without the standard library, images, emulated replays, measurements.

use std::path::PathBuf;

use crate::budget;
use crate::cross::{Cross, M0, RV32, TARGETS};
use crate::elf::Image;
use crate::identity::{self, Board};
use crate::plan::{Outcome, Plan};
use crate::tool::{Places, run};
use crate::{drivers, endurance, host, icount};

/// Features of the core, each built alone.
const CORE_FEATURES: [&str; 3] = ["", "serde", "defmt"];
/// Linked only if something in the image can panic: the panic handlers call it.
const PANIC_MARK: &str = "panic_path_linked";
/// Parts of the names of what a panic or the formatting of its message would bring.
const PANIC_PARTS: [&str; 4] = ["panicking", "begin_unwind", "unwrap_failed", "3fmt9Formatter"];
/// Beginnings of the names of the compiler's floating-point helpers for cores without floating point.
const FLOAT_HELPERS: [&str; 10] = [
    "__aeabi_f",
    "__aeabi_d",
    "__aeabi_cf",
    "__aeabi_cd",
    "__aeabi_i2",
    "__aeabi_ui2",
    "__aeabi_l2",
    "__aeabi_ul2",
    "__float",
    "__fix",
];

/// Parts of the names of the functions that read recordings from a host and print events to it. No board has them.
const HARNESS_PARTS: [&str; 2] = ["8semihost", "8postcard"];

/// Steps that look at the images or run them.
const NEED_IMAGES: [&str; 13] = [
    "no panic paths",
    "no floats in firmware",
    "image size",
    "same events on Cortex-M0",
    "same events on RV32",
    "a flipped bit changes the events",
    "instructions per step",
    "drivers on Cortex-M0",
    "drivers on RV32",
    "instructions per driver",
    "instructions per service",
    "emulated torn cuts",
    "emulated resets",
];

/// Where the images are.
struct Images {
    m0: PathBuf,
    rv32: PathBuf,
    m0_bench: PathBuf,
    rv32_bench: PathBuf,
    m0_powercut: PathBuf,
    /// Sizes and counts depend on it.
    compiler: String,
}

impl Images {
    fn all(&self) -> [&PathBuf; 5] {
        [&self.m0, &self.rv32, &self.m0_bench, &self.rv32_bench, &self.m0_powercut]
    }
}

/// All steps; those that need what is not there are left out.
pub(crate) fn steps(plan: &mut Plan, places: &Places) {
    plan.step("core without std", || core_without_std(places).into());
    plan.step("firmware format", || {
        let mut command = places.cargo();
        command.current_dir(places.boards()).args(["fmt", "--check"]);
        command.args(["--package", "emulated", "--package", "emulated-rv32", "--package", "semihost"]);
        run(&mut command).map(|()| Outcome::passed()).into()
    });
    plan.step("firmware clippy", || firmware_clippy(places).into());
    let mut images = Err(Outcome::LeftOut("the images were not built".to_owned()));
    plan.prepare("firmware images", &NEED_IMAGES, || {
        images = build(places);
        images.as_ref().map_or_else(Clone::clone, |images| Outcome::Passed(images.compiler.clone()))
    });
    let mut programs = Err(Outcome::LeftOut("the host programs were not built".to_owned()));
    plan.prepare("host programs", &NEED_IMAGES, || {
        programs = host::build_programs(places);
        programs.as_ref().map_or_else(Clone::clone, |()| Outcome::passed())
    });
    let [panics, floats, size, on_m0, on_rv32, flipped, instructions, drivers_m0, drivers_rv32, per_driver, ..] =
        NEED_IMAGES;
    let [.., per_service, torn_cuts, resets] = NEED_IMAGES;
    let with_images = |check: &dyn Fn(&Images) -> Result<Outcome, Outcome>| -> Outcome {
        images.as_ref().map_err(|build| not_built(build, "firmware images")).and_then(check).into()
    };
    // Programs of an earlier build must not stand in for those that could not be built now.
    let with_both = |check: &dyn Fn(&Images) -> Result<Outcome, Outcome>| -> Outcome {
        let programs = programs.as_ref().map_err(|build| not_built(build, "host programs"));
        programs.map_or_else(|outcome| outcome, |()| with_images(check))
    };
    plan.step(panics, || with_images(&no_panic_paths));
    plan.step(floats, || with_images(&no_floats));
    plan.step(size, || with_images(&image_size));
    plan.step(on_m0, || with_both(&|images| identity::compare(places, &Board::cortex_m0(&images.m0))));
    plan.step(on_rv32, || with_both(&|images| identity::compare(places, &Board::rv32(&images.rv32))));
    plan.step(flipped, || {
        with_both(&|images| identity::flipped_bit(places, &[Board::cortex_m0(&images.m0), Board::rv32(&images.rv32)]))
    });
    plan.step(instructions, || with_both(&|images| icount::measure(places, &images.m0)));
    plan.step(drivers_m0, || with_both(&|images| drivers::compare(places, &Board::cortex_m0(&images.m0_bench))));
    plan.step(drivers_rv32, || with_both(&|images| drivers::compare(places, &Board::rv32(&images.rv32_bench))));
    plan.step(per_driver, || with_both(&|images| drivers::measure(places, &images.m0_bench)));
    plan.step(per_service, || with_images(&|images| endurance::measure(places, &images.m0_powercut)));
    plan.step(torn_cuts, || with_images(&|images| endurance::torn_cuts(places, &images.m0_powercut)));
    plan.step(resets, || with_images(&|images| endurance::resets(places, &images.m0_powercut)));
}

fn not_built(build: &Outcome, what: &str) -> Outcome {
    match build {
        Outcome::LeftOut(why) => Outcome::LeftOut(why.clone()),
        _ => Outcome::Failed(format!("the {what} could not be built")),
    }
}

fn core_without_std(places: &Places) -> Result<Outcome, Outcome> {
    let cross = Cross::find()?;
    for target in TARGETS {
        for feature in CORE_FEATURES {
            let mut command = cross.cargo(places, &places.root);
            command.args(["build", "--package", "monitor-core", "--target", target, "--no-default-features"]);
            run(command.args(["--features", feature]))?;
        }
    }
    Ok(Outcome::Passed(cross.version()?))
}

fn firmware_clippy(places: &Places) -> Result<Outcome, Outcome> {
    let cross = Cross::find()?;
    if cross == Cross::Debian && !crate::cross::debian("cargo-clippy").is_file() {
        let cause = "no clippy for the boards' compiler; cargo xtask test --install brings Debian's rust-web-clippy";
        return Err(Outcome::LeftOut(cause.to_owned()));
    }
    for (package, target) in [("emulated", M0), ("emulated-rv32", RV32)] {
        let mut command = cross.cargo(places, &places.boards());
        command.args(["clippy", "--release", "--package", "semihost", "--package", package, "--target", target]);
        run(command.args(["--", "-D", "warnings"]))?;
    }
    Ok(Outcome::passed())
}

fn build(places: &Places) -> Result<Images, Outcome> {
    let cross = Cross::find()?;
    let images = |package: &str, target: &str| -> Result<[PathBuf; 2], Outcome> {
        let mut command = cross.cargo(places, &places.boards());
        command.args(["build", "--release", "--package", package, "--target", target]);
        run(&mut command)?;
        let folder = places.cross_target().join(target).join("release");
        Ok([folder.join(package), folder.join(format!("{package}-bench"))])
    };
    let [m0, m0_bench] = images("emulated", M0)?;
    let [rv32, rv32_bench] = images("emulated-rv32", RV32)?;
    let m0_powercut = m0.with_file_name("emulated-powercut");
    Ok(Images { m0, rv32, m0_bench, rv32_bench, m0_powercut, compiler: cross.version()? })
}

fn load(path: &std::path::Path) -> Result<Image, Outcome> {
    Image::load(path).map_err(Outcome::Failed)
}

fn no_panic_paths(images: &Images) -> Result<Outcome, Outcome> {
    let parts: Vec<&str> = PANIC_PARTS.into_iter().chain([PANIC_MARK]).collect();
    for path in images.all() {
        let image = load(path)?;
        let found = image.names_with(&parts);
        if !found.is_empty() {
            return Err(Outcome::Failed(format!("{} can panic: {}", path.display(), found.join(" "))));
        }
    }
    Ok(Outcome::passed())
}

fn no_floats(images: &Images) -> Result<Outcome, Outcome> {
    for path in images.all() {
        let image = load(path)?;
        let names = image.symbols.iter().map(|symbol| symbol.name.as_str());
        let found: Vec<&str> = names.filter(|name| is_float_helper(name)).collect();
        if !found.is_empty() {
            return Err(Outcome::Failed(format!("{} computes with floats: {}", path.display(), found.join(" "))));
        }
    }
    Ok(Outcome::passed())
}

/// Helpers are named after the operation and the kind of number, `sf` or `df`.
fn is_float_helper(name: &str) -> bool {
    let is_generic = name.starts_with("__") && ["sf2", "df2", "sf3", "df3"].iter().any(|kind| name.ends_with(kind));
    is_generic || FLOAT_HELPERS.iter().any(|beginning| name.starts_with(beginning))
}

fn image_size(images: &Images) -> Result<Outcome, Outcome> {
    let image = load(&images.m0)?;
    let flash: u64 = [".vector_table", ".text", ".rodata", ".data"].iter().map(|name| image.section_bytes(name)).sum();
    let harness = image.bytes_with(&HARNESS_PARTS);
    println!("{flash} bytes of flash in the whole image, {harness} of them read recordings from a host");
    let monitor = image.symbol("MONITOR").map_err(Outcome::Failed)?;
    let measured = [
        ("flash without what reads recordings, bytes:", flash.saturating_sub(harness), budget::FLASH_BYTES),
        ("monitor in RAM, bytes:", u64::from(monitor.bytes), budget::MONITOR_BYTES),
    ];
    Ok(budget::judge(&measured))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn float_helpers_are_told_from_others() {
        let cases = [
            ("__aeabi_fmul", true),
            ("__aeabi_dadd", true),
            ("__aeabi_cfcmple", true),
            ("__aeabi_i2f", true),
            ("__addsf3", true),
            ("__muldf3", true),
            ("__gtdf2", true),
            ("__floatsisf", true),
            ("__fixdfsi", true),
            ("__aeabi_uidivmod", false),
            ("__aeabi_memcpy4", false),
            ("__aeabi_llsl", false),
            ("__ashldi3", false),
            ("_stack_start", false),
        ];
        for (name, expected) in cases {
            assert_eq!(is_float_helper(name), expected, "{name}");
        }
    }
}
