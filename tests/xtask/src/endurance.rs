//! The store on the emulated Cortex-M0 and its flash controller: power cuts in the middle of word writes, resets at
//! random moments, and what each call costs.
//!
//! The emulator erases in no time, so an erase that is cut short cannot be made here; the simulated flash of
//! `tests/powercut` does that.

use std::fs;
use std::path::Path;
use std::thread::{self, sleep};
use std::time::Duration;

use crate::budget;
use crate::elf::Image;
use crate::icount::{self, Span};
use crate::identity::Board;
use crate::machine::Machine;
use crate::plan::Outcome;
use crate::tally::{ORDINARY, Tally};
use crate::tool::{Places, is_there};

/// What the image is started with to work its store for ever.
const FOR_EVER: [&str; 2] = ["endurance", "0"];
/// Rounds of the run that is counted: all rings go round several times.
const COUNTED_ROUNDS: &str = "3000";
/// Where the image keeps the store, as in `boards/emulated/src/powercut.rs`.
const REGION_START: u32 = 0x0003_0000;
const REGION_BYTES: usize = 65_536;

/// Torn cuts, and resets, in all.
const TORN_CUTS: u32 = 2_000;
const RESETS: u32 = 500;
/// The flash is carried over to a new emulator after so many of either.
const CUTS_A_MACHINE: u32 = 100;
/// Cuts go on in several lanes at a time, each with random numbers of its own that begin here.
const LANES: [u64; 2] = [1, 2];

/// Word writes from one cut to the next at most: the recovery takes about 300, a round 12, with learned state 140.
const MOST_WORDS: u64 = 900;
/// Time from one reset to the next at most.
const MOST_MICROSECONDS: u64 = 100_000;
/// The board recovers in some tens of milliseconds.
const RECOVERY_LIMIT: Duration = Duration::from_secs(60);

/// The marked calls and how each may end, as in `boards/emulated/src/store_marks.rs`.
const SPANS: [Span<'_>; 10] = [
    ("service that wrote", "mark_service_begins", "mark_service_wrote"),
    ("service that erased", "mark_service_begins", "mark_service_erased"),
    ("service that looked", "mark_service_begins", "mark_service_looked"),
    ("service with nothing to do", "mark_service_begins", "mark_service_nothing"),
    ("append that wrote", "mark_append_begins", "mark_append_wrote"),
    ("append that erased", "mark_append_begins", "mark_append_erased"),
    ("append that looked", "mark_append_begins", "mark_append_looked"),
    ("save that wrote", "mark_save_begins", "mark_save_wrote"),
    ("save that erased", "mark_save_begins", "mark_save_erased"),
    (OPEN, "mark_open_begins", "mark_open_ended"),
];
/// The ring of the journal is erased ahead while the engine stands, and the oldest sector is read then, so these may
/// never be met.
const RARE: [&str; 3] = ["append that erased", "append that looked", "save that erased"];
/// It reads everything once, before the first decision tick, and has a budget of its own.
const OPEN: &str = "open";

/// Cuts the power in the middle of chosen word writes: some of the bits are written, others not.
pub(crate) fn torn_cuts(places: &Places, image: &Path) -> Result<Outcome, Outcome> {
    let symbols = Image::load(image).map_err(Outcome::Failed)?;
    let address = |name: &str| symbols.symbol(name).map(|symbol| symbol.address & !1).map_err(Outcome::Failed);
    let (mark, counter) = (address("mark_cut")?, address("WORDS_UNTIL_CUT")?);
    through_machines(places, image, TORN_CUTS, "torn cuts", &|machine, tally, random, cuts| {
        machine.debugger.break_at(mark)?;
        for _ in 0..cuts {
            let words = u32::try_from(1 + random.below(MOST_WORDS)).map_err(|error| error.to_string())?;
            machine.debugger.write(counter, &words.to_le_bytes())?;
            machine.debugger.go()?;
            tear(machine, [mark, counter], tally, random)?;
            machine.debugger.reset()?;
            tally.cut();
        }
        machine.debugger.write(counter, &[0; 4])
    })
}

/// Writes some of the bits that the board was about to write, and not the others. A word with fewer than two bits to
/// write cannot be torn: then the next one is taken.
fn tear(
    machine: &mut Machine,
    [mark, counter]: [u32; 2],
    tally: &mut Tally,
    random: &mut Random,
) -> Result<(), String> {
    loop {
        machine.debugger.wait_for_break()?;
        let [address, value] = machine.debugger.registers()?;
        let before = machine.debugger.read(address, 4)?;
        let before = before.first_chunk().map_or(0, |bytes| u32::from_le_bytes(*bytes));
        if let Some(torn) = random.torn(before, value) {
            tally.hear(&machine.lines()?);
            tally.tear(address.wrapping_sub(REGION_START), before);
            return machine.debugger.write(address, &torn.to_le_bytes());
        }
        machine.debugger.write(counter, &1_u32.to_le_bytes())?;
        machine.debugger.go_on_from(mark)?;
    }
}

/// Resets the board at random moments.
pub(crate) fn resets(places: &Places, image: &Path) -> Result<Outcome, Outcome> {
    through_machines(places, image, RESETS, "resets", &|machine, tally, random, resets| {
        for _ in 0..resets {
            machine.debugger.go()?;
            sleep(Duration::from_micros(random.below(MOST_MICROSECONDS)));
            machine.debugger.interrupt()?;
            tally.hear(&machine.lines()?);
            machine.debugger.reset()?;
            tally.cut();
        }
        Ok(())
    })
}

/// So many cuts on a machine; random numbers are those of its lane.
type Cut<'a> = &'a (dyn Fn(&mut Machine, &mut Tally, &mut Random, u32) -> Result<(), String> + Sync);

/// Cuts in several lanes at a time and adds up. Each lane has a flash of its own, which it hands from one emulator to the
/// next.
fn through_machines(places: &Places, image: &Path, cuts: u32, what: &str, cut: Cut<'_>) -> Result<Outcome, Outcome> {
    if !is_there("qemu-system-arm") {
        return Err(Outcome::LeftOut("no qemu-system-arm; cargo xtask test --install brings it".to_owned()));
    }
    let work = places.work();
    fs::create_dir_all(&work).map_err(|error| Outcome::Failed(format!("{}: {error}", work.display())))?;
    let cuts_a_lane = cuts / u32::try_from(LANES.len()).unwrap_or(1);
    let ended = thread::scope(|scope| {
        let lanes = LANES.map(|seed| {
            scope.spawn({
                let work = &work;
                move || lane(work, image, cuts_a_lane, Random(seed), cut)
            })
        });
        lanes.map(|lane| lane.join().unwrap_or_else(|_| Err("a lane panicked".to_owned())))
    });
    let mut tally = Tally::new();
    for lane in ended {
        tally.add(lane.map_err(Outcome::Failed)?);
    }
    let told = format!("{cuts} {what}: {tally}");
    if tally.is_sound() && tally.recoveries() >= cuts / ORDINARY {
        Ok(Outcome::Passed(told))
    } else {
        Err(Outcome::Failed(told))
    }
}

/// Runs `cut` on one emulator after the other and hands the flash from each to the next. At the end of each the board
/// recovers once more without a cut.
fn lane(work: &Path, image: &Path, cuts: u32, mut random: Random, cut: Cut<'_>) -> Result<Tally, String> {
    let mut flash = vec![0xFF; REGION_BYTES];
    let mut tally = Tally::new();
    let mut left = cuts;
    while left > 0 {
        let now = left.min(CUTS_A_MACHINE);
        flash = on_one_machine(work, image, &flash, &mut tally, &mut |machine, tally| {
            cut(machine, tally, &mut random, now)
        })
        .map_err(|why| format!("{why}; so far: {tally}"))?;
        left -= now;
    }
    Ok(tally)
}

/// Puts the flash into a new emulator, cuts, lets the board recover and takes the flash out again.
fn on_one_machine(
    work: &Path,
    image: &Path,
    flash: &[u8],
    tally: &mut Tally,
    cut: &mut dyn FnMut(&mut Machine, &mut Tally) -> Result<(), String>,
) -> Result<Vec<u8>, String> {
    let mut machine = Machine::start(work, image, FOR_EVER)?;
    machine.debugger.write(REGION_START, flash)?;
    cut(&mut machine, tally)?;
    let lines = machine.run_until("ready=", RECOVERY_LIMIT)?;
    tally.hear(&lines);
    let flash = machine.debugger.read(REGION_START, REGION_BYTES)?;
    tally.power_down();
    Ok(flash)
}

/// Counts the instructions of each call of the store; the image itself fails if a call does two flash operations.
pub(crate) fn measure(places: &Places, image: &Path) -> Result<Outcome, Outcome> {
    fs::create_dir_all(places.work()).map_err(|error| Outcome::Failed(error.to_string()))?;
    let plugin = icount::build_plugin(places)?;
    let symbols = Image::load(image).map_err(Outcome::Failed)?;
    let counts_file = "endurance.counts";
    let names = SPANS.map(|(name, begins, ended)| (name.replace(' ', "-"), begins, ended));
    let spans = names.each_ref().map(|(name, begins, ended)| (name.as_str(), *begins, *ended));
    let arguments = icount::plugin_arguments(&plugin, counts_file, &symbols, &spans).map_err(Outcome::Failed)?;
    let printed = Board::cortex_m0(image).run(places, FOR_EVER[0], COUNTED_ROUNDS, &arguments)?;
    let path = places.work().join(counts_file);
    let text = fs::read_to_string(&path).map_err(|error| Outcome::Failed(format!("{}: {error}", path.display())))?;
    let (worst_call, worst_open) = table(&text).map_err(Outcome::Failed)?;
    let stack_bytes = icount::number(&printed, "stack_bytes=").map_err(Outcome::Failed)?;
    let store = symbols.symbol("STORE").map_err(Outcome::Failed)?.bytes;
    println!("the store takes {store} bytes; one flash operation a call");
    Ok(budget::judge(&[
        ("any call but open, worst", worst_call, budget::STORE_CALL_WORST),
        ("open", worst_open, budget::STORE_OPEN_WORST),
        ("stack, bytes", stack_bytes, budget::STORE_STACK_BYTES),
    ]))
}

/// Prints a row for each kind of call and returns the worst of all but opening, and of opening.
fn table(text: &str) -> Result<(u64, u64), String> {
    println!("{:<28} {:>8} {:>9} {:>9}", "instructions of", "calls", "mean", "worst");
    let (mut worst_call, mut worst_open) = (0, 0);
    for (name, ..) in SPANS {
        let counts = icount::counts(text, &name.replace(' ', "-"))?;
        if counts.calls == 0 && !RARE.contains(&name) {
            return Err(format!("the counter saw no {name}"));
        }
        println!("{name:<28} {:>8} {:>9} {:>9}", counts.calls, counts.mean(), counts.worst);
        let worst = if name == OPEN { &mut worst_open } else { &mut worst_call };
        *worst = counts.worst.max(*worst);
    }
    Ok((worst_call, worst_open))
}

/// Numbers that look random and come again: the generator `SplitMix64` by its published constants.
#[derive(Debug)]
struct Random(u64);

impl Random {
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// From 0 up to but not including `bound`.
    fn below(&mut self, bound: u64) -> u64 {
        self.bits().checked_rem(bound).unwrap_or(0)
    }

    /// Some of the bits of `intended` written over `before`, and not all; `None` if there are no two bits to write.
    fn torn(&mut self, before: u32, intended: u32) -> Option<u32> {
        let whole = before & intended;
        if (before ^ whole).count_ones() < 2 {
            return None;
        }
        loop {
            // Few, half or most of the bits keep what they were.
            let (first, second) = (self.bits(), self.bits());
            let kept = [first & second, first, first | second].get(self.index(3)).copied().unwrap_or(first);
            let [a, b, c, d, ..] = kept.to_le_bytes();
            let torn = before & (intended | u32::from_le_bytes([a, b, c, d]));
            if torn != before && torn != whole {
                return Some(torn);
            }
        }
    }

    fn index(&mut self, bound: u64) -> usize {
        usize::try_from(self.below(bound)).unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_those_of_the_published_generator() {
        let mut random = Random(1_234_567);
        assert_eq!([random.bits(), random.bits()], [6_457_827_717_110_365_317, 3_203_168_211_198_807_973]);
    }

    #[test]
    fn a_torn_word_is_neither_untouched_nor_whole() {
        let mut random = Random(1);
        let cases = [
            ("two bits", u32::MAX, 0xFFFF_FFF5, true),
            ("all bits", u32::MAX, 0, true),
            ("one bit", u32::MAX, 0x7FFF_FFFF, false),
            ("none", u32::MAX, u32::MAX, false),
            ("already written", 0x1234, 0x1234, false),
        ];
        for (name, before, intended, can_be) in cases {
            let torn: Vec<_> = (0..50).map(|_| random.torn(before, intended)).collect();
            assert!(torn.iter().all(|torn| torn.is_some() == can_be), "{name}");
            for torn in torn.into_iter().flatten() {
                assert_eq!(torn & !before, 0, "{name}: {torn:#x} sets a bit");
                assert_eq!(intended & !torn, 0, "{name}: {torn:#x} clears a bit that was not to be cleared");
                assert!(torn != before && torn != intended, "{name}: {torn:#x}");
            }
        }
    }

    #[test]
    fn every_kind_of_call_must_have_been_met() {
        let row = |name: &str, calls: u32| {
            let worst = if name == OPEN { 900 } else { 90 };
            format!("span {} calls={calls} total=100 min=1 max={worst} worst_call=1\n", name.replace(' ', "-"))
        };
        let text: String = SPANS.iter().map(|(name, ..)| row(name, 2)).collect();
        assert_eq!(table(&text), Ok((90, 900)));
        let without = |name: &str| text.replace(&row(name, 2), &row(name, 0));
        assert_eq!(table(&without("service that erased")), Err("the counter saw no service that erased".to_owned()));
        assert!(table(&without("append that erased")).is_ok());
    }
}
