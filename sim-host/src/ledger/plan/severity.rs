//! What wears an engine sooner than its handbook reckons, and by how much an interval is shortened then.
//!
//! The factors are no measurements. Two follow from published service charts (common practice): grease points every 60 days
//! in fresh water and every 30 in salt, impellers every 36 months and yearly in sand. The others are our own convention.

use monitor_core::event::State;
use monitor_core::finding::Finding;
use monitor_core::ledger::{CareItem, Item};

use crate::ledger::Ledger;

/// The water that the engine runs in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Water {
    /// Nothing shortens an interval.
    #[default]
    Fresh,
    /// Salt water.
    Salt,
    /// Shallow water with sand or silt in it.
    Sand,
}

/// An interval that is shortened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shortened {
    /// What is left of the interval, in per cent.
    pub percent: u32,
    /// Why.
    pub why: &'static str,
}

/// Why and by how much the interval of an item is shortened: the strongest reason, where there is one.
#[must_use]
pub(super) fn shortened(ledger: &Ledger, item: &CareItem, water: Water) -> Option<Shortened> {
    let by_water = match (water, item.item) {
        (Water::Salt, Item::Grease) => Some(Shortened { percent: 50, why: "salt water (common practice)" }),
        (Water::Salt, Item::Anodes) => Some(Shortened { percent: 50, why: "salt water (our own convention)" }),
        (Water::Sand, Item::Impeller) => Some(Shortened { percent: 33, why: "sand in the water (common practice)" }),
        _ => None,
    };
    let by_record = match item.item {
        Item::Impeller => happened_since(ledger, item, &[Finding::DryStart, Finding::StreamLost])
            .then_some(Shortened { percent: 50, why: "it has run without water since (our own convention)" }),
        Item::Thermostat | Item::SparkPlugs => happened_since(ledger, item, &[Finding::HeadOverLimit])
            .then_some(Shortened { percent: 50, why: "the head was over its limit since (our own convention)" }),
        _ => None,
    };
    [by_water, by_record].into_iter().flatten().min_by_key(|shortened| shortened.percent)
}

fn happened_since(ledger: &Ledger, item: &CareItem, findings: &[Finding]) -> bool {
    let done_seq = item.done.map_or(0, |done| done.seq);
    ledger
        .events
        .iter()
        .any(|kept| kept.seq > done_seq && kept.event.state == State::Raised && findings.contains(&kept.event.finding))
}
