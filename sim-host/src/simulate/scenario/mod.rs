//! Scenario files: an engine, its sensors, trips, faults and near misses.
//!
//! Everything that can be wrong with a scenario is found here, before anything is simulated.

mod book;
mod engine;
mod parts;
mod span;
mod variation;

use std::path::Path;

use monitor_core::acquire::Channel;
use monitor_core::finding::Finding;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::days::Day;
use super::near_miss::Kind;
use super::sensors::SensorSpec;
use crate::plant::Sea;
use crate::problem::Problem;
use crate::profile::section::{Section, Source, kind_of};
use crate::profile::{SECTIONS as PROFILE_SECTIONS, read_small_text};
pub(super) use book::{BookItem, BookPlan};
pub(super) use engine::{Engine, Engines};
pub(super) use span::Span;
use span::{Bounds, number};
pub use variation::Variation;

/// A scenario, read and checked.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// Seed where none is given otherwise.
    pub seed: u64,
    /// What it is called.
    pub name: Option<String>,
    pub(super) commission: bool,
    pub(super) book: BookPlan,
    /// The engines of which one is drawn.
    pub(super) engines: Engines,
    pub(super) spread: Span,
    pub(super) interval_s: Span,
    pub(super) spikes_per_minute: Span,
    /// Multiplies the noise of every sensor.
    pub(super) noise: Span,
    pub(super) sensors: SensorSpec,
    pub(super) trips: Vec<TripPlan>,
    pub(super) faults: Vec<FaultPlan>,
    pub(super) near_misses: Vec<NearMissPlan>,
}

/// What the lever does in a trip.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Plan {
    /// Seconds and engine speed, one after the other.
    Steps(Vec<(f64, f64)>),
    /// A day with a name, and its minutes.
    Day(Day, Span),
}

/// One trip.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TripPlan {
    pub(super) water_c: Span,
    /// `None`: two kelvin over the water.
    pub(super) air_c: Option<Span>,
    pub(super) salinity_g_per_kg: Span,
    pub(super) plan: Plan,
    /// Running hours before this trip that are not written.
    pub(super) gap_h: Span,
    /// Hours that the engine stood before this trip.
    pub(super) rest_h: Span,
    /// The engine comes warm into the trip.
    pub(super) warm: bool,
    pub(super) sea: Sea,
    pub(super) current_kn: Span,
    pub(super) tow_n: Span,
    pub(super) load_kg: Span,
    pub(super) trim: Span,
}

/// One fault.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct FaultPlan {
    pub(super) finding: Finding,
    pub(super) channel: Option<Channel>,
    pub(super) trip: i16,
    pub(super) onset_s: Span,
    pub(super) severity: Span,
    pub(super) growth_s: Option<Span>,
    pub(super) end_s: Option<Span>,
    pub(super) end_trip: i16,
}

/// One near miss.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NearMissPlan {
    pub(super) kind: Kind,
    pub(super) trip: i16,
    pub(super) onset_s: Span,
    pub(super) end_s: Option<Span>,
    pub(super) severity: Span,
}

const OWN_KEYS: [&str; 8] = ["seed", "commission", "book", "plant", "sensors", "trip", "fault", "near_miss"];

impl Scenario {
    /// Reads a scenario.
    ///
    /// # Errors
    /// A file that cannot be read, is not TOML, holds an unknown key, finding or word, a number out of its range, or
    /// contradicts itself: exit code 2, with file, line, cause and remedy.
    pub fn read(path: &Path) -> Result<Self, Problem> {
        Self::from_toml(path, &read_small_text(path, "scenario")?)
    }

    /// Reads a scenario from the text of the file `path`.
    ///
    /// # Errors
    /// As [`Scenario::read`].
    pub fn from_toml(path: &Path, text: &str) -> Result<Self, Problem> {
        Self::from_table(Source { path, text }, parse(path, text)?.get_ref())
    }

    /// Reads a scenario and lays `variation` over it.
    ///
    /// # Errors
    /// As [`Scenario::read`]; a variation that does not fit is named.
    pub fn read_varied(path: &Path, variation: Option<&Variation>) -> Result<Self, Problem> {
        let text = read_small_text(path, "scenario")?;
        let plain = Self::from_toml(path, &text)?;
        let Some(variation) = variation else { return Ok(plain) };
        variation.over(parse(path, &text)?.get_ref(), |table| Self::from_table(Source { path, text: &text }, table))
    }

    fn from_table(source: Source<'_>, table: &DeTable<'_>) -> Result<Self, Problem> {
        let known: Vec<_> = PROFILE_SECTIONS.into_iter().chain(OWN_KEYS).collect();
        let root = Section::root(source, table, &known)?;
        let name = root.text("name")?.map(str::to_owned);
        let (engines, spread) = engine::read(&root)?;
        let settings = parts::sensors(&root, &engines)?;
        let trips = parts::trips(&root)?;
        let faults = parts::faults(&root, &trips)?;
        let near_misses = parts::near_misses(&root, &trips)?;
        Ok(Self {
            seed: read_seed(&root)?,
            name,
            commission: root.flag("commission")?.unwrap_or(false),
            book: book::read(&root)?,
            engines,
            spread,
            interval_s: settings.interval_s,
            spikes_per_minute: settings.spikes_per_minute,
            noise: settings.noise,
            sensors: settings.spec,
            trips,
            faults,
            near_misses,
        })
    }

    /// The findings that its faults provoke, in the order of the file, each once.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let mut findings: Vec<Finding> = Vec::new();
        for fault in &self.faults {
            if !findings.contains(&fault.finding) {
                findings.push(fault.finding);
            }
        }
        findings
    }

    /// Whether a commissioning run comes before its trips.
    #[must_use]
    pub const fn is_commissioned(&self) -> bool {
        self.commission
    }

    /// The number of its trips, commissioning not counted.
    #[must_use]
    pub fn trip_count(&self) -> usize {
        self.trips.len()
    }
}

fn parse<'t>(path: &Path, text: &'t str) -> Result<Spanned<DeTable<'t>>, Problem> {
    DeTable::parse(text).map_err(|error| {
        let offset = error.span().map_or(0, |span| span.start);
        let cause = format!("It is not valid TOML: {}", error.message().replace('\n', ", "));
        let remedy = "Correct this line; each line is `key = value`, a [section] or a # comment";
        Source { path, text }.problem(offset, cause, remedy)
    })
}

fn read_seed(root: &Section<'_>) -> Result<u64, Problem> {
    let Some(value) = root.value("seed") else { return Ok(0) };
    let remedy = "Give a whole number from 0";
    let DeValue::Integer(integer) = value.get_ref() else {
        let cause = format!("seed is {}, not a whole number", kind_of(value.get_ref()));
        return Err(root.problem_at("seed", cause, remedy));
    };
    u64::from_str_radix(integer.as_str(), integer.radix())
        .map_err(|_| root.problem_at("seed", format!("seed = {} is out of range", integer.as_str()), remedy))
}
