//! Instructions of parts of an image on the emulated Cortex-M0, between marks; of `step` and `signals` first, with the
//! deepest stack.

use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::budget;
use crate::elf::Image;
use crate::identity::{self, Board};
use crate::plan::Outcome;
use crate::tool::{Places, is_there, run};

/// Helpers of the compiler that divide 64-bit numbers; `step` must not meet them.
const LONG_DIVISIONS: [&str; 5] = ["__aeabi_uldivmod", "__aeabi_ldivmod", "__udivdi3", "__umoddi3", "__udivmoddi4"];

/// Instructions between two marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Counts {
    pub(crate) calls: u64,
    total: u64,
    pub(crate) worst: u64,
}

impl Counts {
    fn and(self, other: Self) -> Self {
        Self { calls: self.calls + other.calls, total: self.total + other.total, worst: self.worst.max(other.worst) }
    }

    pub(crate) fn mean(self) -> u64 {
        self.total.checked_div(self.calls).unwrap_or(0)
    }
}

/// Name, marker at the beginning, marker at the end.
pub(crate) type Span<'a> = (&'a str, &'a str, &'a str);

/// The parts of the monitor that are marked in the image that replays feeds.
const SPANS: [Span<'_>; 2] =
    [("step", "mark_step_begins", "mark_step_ended"), ("signals", "mark_signals_begin", "mark_signals_ended")];

/// Replays every identity trace and counts.
pub(crate) fn measure(places: &Places, image: &Path) -> Result<Outcome, Outcome> {
    let plugin = build_plugin(places)?;
    let symbols = Image::load(image).map_err(Outcome::Failed)?;
    let board = Board::cortex_m0(image);
    let (mut step, mut signals, mut stack_bytes) = (Counts::default(), Counts::default(), 0);
    for case in identity::cases(places)? {
        let feed = case.feed(places)?;
        let counts_file = format!("{feed}.counts");
        let arguments = plugin_arguments(&plugin, &counts_file, &symbols, &SPANS).map_err(Outcome::Failed)?;
        let printed = board.run(places, &feed, &format!("{feed}.counted.jsonl"), &arguments)?;
        let path = places.work().join(&counts_file);
        let text =
            fs::read_to_string(&path).map_err(|error| Outcome::Failed(format!("{}: {error}", path.display())))?;
        print!("{feed}\n{text}");
        no_long_division_in_step(&feed, &text)?;
        step = step.and(counts(&text, "step").map_err(Outcome::Failed)?);
        signals = signals.and(counts(&text, "signals").map_err(Outcome::Failed)?);
        stack_bytes = stack_bytes.max(number(&printed, "stack_bytes=").map_err(Outcome::Failed)?);
    }
    if step.calls == 0 || signals.calls == 0 {
        return Err(Outcome::Failed("the counter saw no step".to_owned()));
    }
    Ok(budget::judge(&[
        ("step, mean", step.mean(), budget::STEP_MEAN),
        ("worst", step.worst, budget::STEP_WORST),
        ("signals, worst", signals.worst, budget::SIGNALS_WORST),
        ("stack, bytes", stack_bytes, budget::STACK_BYTES),
    ]))
}

/// Fails if the plugin met a division of 64-bit numbers inside `step`.
pub(crate) fn no_long_division_in_step(what: &str, text: &str) -> Result<(), Outcome> {
    match text.lines().find(|line| line.starts_with("watch ") && line.contains("span=step")) {
        Some(met) => Err(Outcome::Failed(format!("{what}: step divides 64-bit numbers: {met}"))),
        None => Ok(()),
    }
}

/// Builds the counter.
pub(crate) fn build_plugin(places: &Places) -> Result<PathBuf, Outcome> {
    if !is_there("cc") {
        return Err(Outcome::LeftOut(
            "no C compiler for the counter; cargo xtask test --install brings one".to_owned(),
        ));
    }
    let plugin = places.work().join("libicount.so");
    fs::create_dir_all(places.work()).map_err(|error| Outcome::Failed(error.to_string()))?;
    let source = places.boards().join("emulated/icount/icount.c");
    let mut command = Command::new("cc");
    command.args(["-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o"]);
    run(command.arg(&plugin).arg(source))?;
    Ok(plugin)
}

/// QEMU's arguments for counting in these spans.
pub(crate) fn plugin_arguments(
    plugin: &Path,
    counts_file: &str,
    image: &Image,
    spans: &[Span<'_>],
) -> Result<[OsString; 2], String> {
    // The lowest bit of an address only says that the function is Thumb code.
    let address = |name: &str| Ok::<_, String>(image.symbol(name)?.address & !1);
    let mut argument = plugin.as_os_str().to_owned();
    argument.push(format!(",out={counts_file}"));
    for &(name, begin, end) in spans {
        argument.push(format!(",span={name}:{:x}:{:x}", address(begin)?, address(end)?));
    }
    for name in LONG_DIVISIONS {
        // A helper that nothing calls is not in the image.
        if let Ok(address) = address(name) {
            argument.push(format!(",watch={name}:{address:x}"));
        }
    }
    Ok(["-plugin".into(), argument])
}

/// The counts of one span in what the plugin wrote.
pub(crate) fn counts(text: &str, span: &str) -> Result<Counts, String> {
    let beginning = format!("span {span} ");
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix(&beginning))
        .ok_or_else(|| format!("the counter wrote nothing about {span}"))?;
    Ok(Counts { calls: number(line, "calls=")?, total: number(line, "total=")?, worst: number(line, "max=")? })
}

/// The number after `key`, a word of `text`.
pub(crate) fn number(text: &str, key: &str) -> Result<u64, String> {
    let value = text.split_whitespace().find_map(|word| word.strip_prefix(key));
    value.and_then(|value| value.parse().ok()).ok_or_else(|| format!("no number after {key} in: {text}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const WRITTEN: &str = "span step calls=2 total=300 min=100 max=200 worst_call=1\n\
                           span signals calls=4 total=40 min=10 max=10 worst_call=0\n";

    #[test]
    fn counts_are_read_and_added() {
        let step = counts(WRITTEN, "step").unwrap();
        assert_eq!(step, Counts { calls: 2, total: 300, worst: 200 });
        let both = step.and(counts(WRITTEN, "signals").unwrap());
        assert_eq!(both, Counts { calls: 6, total: 340, worst: 200 });
        assert_eq!((both.mean(), Counts::default().mean()), (56, 0));
        assert!(counts(WRITTEN, "other").is_err());
    }

    #[test]
    fn numbers_are_found_by_their_key() {
        assert_eq!(number("rows=5\nstack_bytes=812\n", "stack_bytes="), Ok(812));
        assert!(number("rows=five", "rows=").is_err());
        assert!(number("", "rows=").is_err());
    }
}
