//! What a board has acknowledged, and whether it has it still after each cut of its power.

use std::collections::BTreeMap;
use std::fmt;

/// At least one in so many cuts must let the board recover and tell what it has before the next one comes.
pub(crate) const ORDINARY: u32 = 4;
/// Broken promises that are told in words.
const SAMPLES: usize = 5;

/// What the board tells and how much one acknowledgement adds, as in `boards/app/src/endurance`.
const KINDS: [(&str, u32); 4] = [("hours_ms", 9_000), ("events", 1), ("learned", 1), ("snapshots", 1)];

/// Areas of the store by their end, in bytes from the beginning of the region.
const AREAS: [(&str, u32); 5] =
    [("hours", 8_192), ("learned", 24_576), ("snapshots", 32_768), ("journal", 57_344), ("settings", 65_536)];

/// Listens to a board through its cuts.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    /// The last acknowledged value of each kind.
    acknowledged: [u32; KINDS.len()],
    boot: u32,
    /// Whether the board has told since its last start all that it recovered.
    is_ready: bool,
    cuts: u32,
    cuts_in_recovery: u32,
    recoveries: u32,
    /// Times something came back that had been written and not acknowledged yet.
    unacknowledged: u32,
    most_damaged: u32,
    /// Torn words in each area.
    torn_in: BTreeMap<&'static str, u32>,
    breaches: u32,
    samples: Vec<String>,
}

impl Tally {
    /// Nothing has happened yet.
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Whether every promise was kept.
    pub(crate) const fn is_sound(&self) -> bool {
        self.breaches == 0
    }

    /// Times the board recovered and told what it has.
    pub(crate) const fn recoveries(&self) -> u32 {
        self.recoveries
    }

    /// Takes in what the board has told.
    pub(crate) fn hear(&mut self, lines: &[String]) {
        for line in lines {
            match line.split_once('=').and_then(|(name, value)| Some((name, value.parse().ok()?))) {
                Some((name, value)) => self.take(name, value),
                None => self.breach(format!("the board says \"{line}\"")),
            }
        }
    }

    fn take(&mut self, name: &str, value: u32) {
        match name {
            "boot" => {
                if value <= self.boot {
                    self.breach(format!("power-up {value} comes after power-up {}", self.boot));
                }
                self.boot = value;
            }
            "ready" => {
                self.is_ready = true;
                self.recoveries += 1;
            }
            "damaged" => self.most_damaged = self.most_damaged.max(value),
            "disorder" | "broken_chain" if value == 0 => {}
            "broken_chain" => self.breach(format!("the chain of the journal is broken, power-up {}", self.boot)),
            "disorder" => self.breach(format!("{value} events of the journal are out of order")),
            _ => match KINDS.iter().position(|(kind, _)| *kind == name) {
                Some(kind) => self.compare(kind, value),
                None => self.breach(format!("the board says \"{name}={value}\"")),
            },
        }
    }

    /// The board must have what it acknowledged, or that and what it was about to acknowledge when it was cut.
    fn compare(&mut self, kind: usize, value: u32) {
        let (Some((name, step)), Some(acknowledged)) = (KINDS.get(kind), self.acknowledged.get_mut(kind)) else {
            return;
        };
        let (before, next) = (*acknowledged, acknowledged.wrapping_add(*step));
        *acknowledged = value;
        let unchanged = value == before && (!self.is_ready || *name == "hours_ms");
        if !unchanged && value != next {
            self.breach(format!("{name}: {value} after {before} was acknowledged, power-up {}", self.boot));
        }
        if !self.is_ready && value == next {
            self.unacknowledged += 1;
        }
    }

    /// A word was torn that had held `before`, `offset` bytes from the beginning of the region.
    pub(crate) fn tear(&mut self, offset: u32, before: u32) {
        let Some((area, _)) = AREAS.iter().find(|(_, end)| offset < *end) else {
            self.breach(format!("a write {offset:#x} bytes behind the beginning of the region"));
            return;
        };
        *self.torn_in.entry(area).or_default() += 1;
        if before != u32::MAX {
            self.breach(format!("a word at {offset:#x} is written a second time, over {before:#010x}"));
        }
    }

    /// The power was cut.
    pub(crate) fn cut(&mut self) {
        self.cuts += 1;
        self.cuts_in_recovery += u32::from(!self.is_ready);
        self.power_down();
    }

    /// The board starts anew with whatever is next heard.
    pub(crate) fn power_down(&mut self) {
        self.is_ready = false;
    }

    /// Adds what another board did.
    pub(crate) fn add(&mut self, other: Self) {
        for (sum, more) in self.acknowledged.iter_mut().zip(other.acknowledged) {
            *sum += more;
        }
        for (area, count) in other.torn_in {
            *self.torn_in.entry(area).or_default() += count;
        }
        self.cuts += other.cuts;
        self.cuts_in_recovery += other.cuts_in_recovery;
        self.recoveries += other.recoveries;
        self.unacknowledged += other.unacknowledged;
        self.most_damaged = self.most_damaged.max(other.most_damaged);
        self.breaches += other.breaches;
        self.samples.extend(other.samples);
    }

    fn breach(&mut self, text: String) {
        self.breaches += 1;
        if self.samples.len() < SAMPLES {
            self.samples.push(text);
        }
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [hours_ms, events, learned, snapshots] = self.acknowledged;
        write!(f, "{} broken promises, {} of {} cuts before all", self.breaches, self.cuts_in_recovery, self.cuts)?;
        write!(f, " was recovered, {} recoveries; {} h, ", self.recoveries, hours_ms / 3_600_000)?;
        write!(
            f,
            "{events} events, {learned} saves, {snapshots} snapshots acknowledged; {} times more came back",
            self.unacknowledged
        )?;
        if !self.torn_in.is_empty() {
            let areas: Vec<String> = self.torn_in.iter().map(|(area, count)| format!("{area} {count}")).collect();
            write!(f, "; words torn: {}", areas.join(", "))?;
        }
        write!(f, "; at most {} damaged places at a start", self.most_damaged)?;
        for sample in &self.samples {
            write!(f, "\n  - {sample}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(lives: &[&str]) -> Tally {
        let mut tally = Tally::new();
        for (number, life) in lives.iter().enumerate() {
            if number > 0 {
                tally.cut();
            }
            let lines: Vec<String> = life.split_whitespace().map(str::to_owned).collect();
            tally.hear(&lines);
        }
        tally
    }

    #[test]
    fn each_broken_promise_is_seen() {
        const FIRST: &str = "boot=1 hours_ms=0 events=0 learned=0 ready=0 hours_ms=9000 events=1 learned=1 events=2";
        let cases = [
            ("all is there", "boot=2 hours_ms=9000 events=2 disorder=0 learned=1 ready=2", 0),
            ("what was in flight too", "boot=2 hours_ms=18000 events=3 learned=2 ready=3 events=4", 0),
            ("hours that did not change", "boot=2 hours_ms=9000 events=2 learned=1 ready=2 hours_ms=9000", 0),
            ("hours lost", "boot=2 hours_ms=0 events=2 learned=1 ready=2", 1),
            ("hours too many", "boot=2 hours_ms=27000 events=2 learned=1 ready=2", 1),
            ("an event lost", "boot=2 hours_ms=9000 events=1 learned=1 ready=1", 1),
            ("an event twice", "boot=2 hours_ms=9000 events=4 learned=1 ready=4", 1),
            ("an event acknowledged again", "boot=2 hours_ms=9000 events=2 learned=1 ready=2 events=2", 1),
            ("out of order", "boot=2 hours_ms=9000 events=2 disorder=1 learned=1 ready=2", 1),
            ("a broken chain", "boot=2 hours_ms=9000 events=2 learned=1 broken_chain=1 ready=2", 1),
            ("a whole chain", "boot=2 hours_ms=9000 events=2 learned=1 broken_chain=0 ready=2", 0),
            ("a snapshot lost", "boot=2 hours_ms=9000 events=2 learned=1 snapshots=0 ready=2 snapshots=2", 1),
            ("learned state lost", "boot=2 hours_ms=9000 events=2 learned=0 ready=2", 1),
            ("power-up not counted", "boot=1 hours_ms=9000 events=2 learned=1 ready=2", 1),
            ("something else", "panic", 1),
        ];
        for (name, second, breaches) in cases {
            let tally = heard(&[FIRST, second]);
            assert_eq!(tally.breaches, breaches, "{name}: {tally}");
            assert_eq!(tally.is_sound(), breaches == 0, "{name}");
        }
    }

    #[test]
    fn cuts_in_the_recovery_are_told_apart() {
        let tally = heard(&["boot=1 ready=0", "boot=2 hours_ms=9000", "", "boot=3 hours_ms=9000 ready=0"]);
        assert_eq!((tally.cuts, tally.cuts_in_recovery, tally.recoveries), (3, 2, 2));
        assert_eq!((tally.unacknowledged, tally.breaches), (1, 0));
        let mut both = heard(&["boot=1 ready=0 events=1 events=3"]);
        both.add(tally);
        assert_eq!((both.cuts, both.recoveries, both.breaches), (3, 3, 1));
        assert_eq!(both.acknowledged, [9_000, 3, 0, 0]);
    }

    #[test]
    fn torn_words_are_counted_by_area_and_a_second_writing_is_a_breach() {
        let mut tally = Tally::new();
        for offset in [0, 8_191, 8_192, 40_000] {
            tally.tear(offset, u32::MAX);
        }
        let areas: Vec<_> = tally.torn_in.iter().map(|(area, count)| (*area, *count)).collect();
        assert_eq!(areas, [("hours", 2), ("journal", 1), ("learned", 1)]);
        assert!(tally.is_sound());
        tally.tear(0, 0x1234);
        tally.tear(65_536, u32::MAX);
        assert_eq!(tally.breaches, 2, "{tally}");
    }
}
