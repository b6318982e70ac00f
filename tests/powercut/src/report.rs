//! What a run found and what it cost.

use std::collections::BTreeMap;

use crate::flash::Counts;

/// A broken promise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Breach {
    /// Something went wrong although no power was cut.
    Uncut,
    /// After a cut the store did not open: it would need a wipe.
    Unopenable,
    /// After a cut the state could not be read.
    Unreadable,
    /// After a cut the state was neither that of the last acknowledged operation nor that with the one in flight.
    Lost,
    /// After a cut the next operation ended in an error.
    NextRefused,
    /// After a cut the next operation was acknowledged, but not to be read back.
    NextLost,
    /// A state that had been shown was another one after a further reboot.
    Changed,
    /// The store broke the contract of the flash, such as writing a word twice.
    FlashMisuse,
    /// The store went on reading or writing without end.
    Hung,
    /// The store panicked.
    Panicked,
}

/// What operations and openings cost without any cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cost {
    /// Operations measured.
    pub operations: u64,
    /// What all of them took.
    pub operation_counts: Counts,
    /// Word writes and page erases of the most expensive operation.
    pub worst_operation_units: u64,
    /// Openings measured.
    pub openings: u64,
    /// What all of them took.
    pub opening_counts: Counts,
}

/// What a run found. Its `Display` prints the counts, the cost and the first broken promises.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Cuts in ordinary life, in the recovery from those, and in the recovery from those again.
    pub cuts: [u64; 3],
    /// Operations asked of the store.
    pub operations: u64,
    /// Times the store was opened.
    pub openings: u64,
    /// How often each promise was broken.
    pub breaches: BTreeMap<Breach, u64>,
    /// How the first ones came about, in words.
    pub samples: Vec<String>,
    /// What it cost.
    pub cost: Cost,
}

impl Report {
    const SAMPLES: usize = 12;

    /// All cuts.
    #[must_use]
    pub const fn all_cuts(&self) -> u64 {
        self.cuts[0] + self.cuts[1] + self.cuts[2]
    }

    /// All broken promises.
    #[must_use]
    pub fn all_breaches(&self) -> u64 {
        self.breaches.values().sum()
    }

    /// How often this promise was broken.
    #[must_use]
    pub fn count(&self, breach: Breach) -> u64 {
        self.breaches.get(&breach).copied().unwrap_or(0)
    }

    /// Whether the store kept every promise.
    ///
    /// # Errors
    ///
    /// The whole report as text if it broke one.
    pub fn verdict(&self) -> Result<(), String> {
        if self.all_breaches() == 0 { Ok(()) } else { Err(self.to_string()) }
    }

    /// Adds what another run found.
    pub fn merge(&mut self, other: &Self) {
        for (cuts, more) in self.cuts.iter_mut().zip(other.cuts) {
            *cuts += more;
        }
        self.operations += other.operations;
        self.openings += other.openings;
        for (breach, count) in &other.breaches {
            *self.breaches.entry(*breach).or_insert(0) += count;
        }
        let room = Self::SAMPLES.saturating_sub(self.samples.len());
        self.samples.extend(other.samples.iter().take(room).cloned());
        self.cost.operations += other.cost.operations;
        self.cost.openings += other.cost.openings;
        add(&mut self.cost.operation_counts, &other.cost.operation_counts);
        add(&mut self.cost.opening_counts, &other.cost.opening_counts);
        self.cost.worst_operation_units = self.cost.worst_operation_units.max(other.cost.worst_operation_units);
    }

    pub(crate) fn note(&mut self, breach: Breach, text: impl FnOnce() -> String) {
        *self.breaches.entry(breach).or_insert(0) += 1;
        if self.samples.len() < Self::SAMPLES {
            self.samples.push(format!("{breach:?}: {}", text()));
        }
    }

    pub(crate) fn spend_operation(&mut self, counts: &Counts) {
        self.cost.operations += 1;
        self.cost.worst_operation_units = self.cost.worst_operation_units.max(counts.units);
        add(&mut self.cost.operation_counts, counts);
    }

    pub(crate) fn spend_opening(&mut self, counts: &Counts) {
        self.cost.openings += 1;
        add(&mut self.cost.opening_counts, counts);
    }
}

fn add(sum: &mut Counts, more: &Counts) {
    sum.reads += more.reads;
    sum.bytes_read += more.bytes_read;
    sum.word_writes += more.word_writes;
    sum.erases += more.erases;
    sum.units += more.units;
}

/// What one of so many took, in thousandths, without floating point.
fn each(total: u64, of: u64) -> String {
    let thousandths = total.saturating_mul(1000).checked_div(of).unwrap_or(0);
    format!("{}.{:03}", thousandths / 1000, thousandths % 1000)
}

impl core::fmt::Display for Cost {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let lines =
            [("operation", self.operations, &self.operation_counts), ("opening", self.openings, &self.opening_counts)];
        for (name, of, counts) in lines {
            writeln!(
                f,
                "  each {name} ({of}): {} word writes, {} erases, {} reads, {} bytes read",
                each(counts.word_writes, of),
                each(counts.erases, of),
                each(counts.reads, of),
                each(counts.bytes_read, of)
            )?;
        }
        writeln!(f, "  most expensive operation: {} writes and erases", self.worst_operation_units)
    }
}

impl core::fmt::Display for Report {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let [first, second, third] = self.cuts;
        writeln!(
            f,
            "{} cuts ({first} first, {second} second, {third} third), {} operations, {} openings, {} breaches",
            self.all_cuts(),
            self.operations,
            self.openings,
            self.all_breaches()
        )?;
        write!(f, "{}", self.cost)?;
        for (breach, count) in &self.breaches {
            writeln!(f, "  {breach:?}: {count}")?;
        }
        for sample in &self.samples {
            writeln!(f, "  - {sample}")?;
        }
        Ok(())
    }
}
