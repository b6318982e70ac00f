//! What the simulator knows: faults with their times, joined over the trips in which they stand.

use monitor_core::finding::Family;

use crate::simulate::Label;

use super::relations::Named;

/// A moment of a scenario. Trips come one after the other, and time runs on within a trip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Moment {
    /// The trip; the commissioning trip is −1.
    pub(super) trip: i16,
    /// Milliseconds on the clock of that trip.
    pub(super) at_ms: i64,
}

impl Moment {
    /// So many milliseconds later in the same trip.
    #[must_use]
    pub(super) const fn later(self, by_ms: i64) -> Self {
        Self { trip: self.trip, at_ms: self.at_ms.saturating_add(by_ms) }
    }

    /// The end of that trip.
    #[must_use]
    pub(super) const fn end_of_trip(trip: i16) -> Self {
        Self { trip, at_ms: i64::MAX }
    }
}

/// A fault of one run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fault {
    /// What it is.
    pub(super) named: Named,
    /// From here it is there.
    pub(super) onset: Moment,
    /// From here it makes a difference to what is measured; `None`: it never does.
    pub(super) detectable: Option<Moment>,
    /// Until here it is there.
    pub(super) end: Moment,
    /// Whether it was mended at the end, and not cut off by the end of the last trip.
    pub(super) mended: bool,
    /// How bad, 0 to 1.
    pub(super) severity: f64,
}

impl Fault {
    /// The last moment at which something can be said because of it.
    #[must_use]
    pub(super) const fn over(&self, grace_ms: i64) -> Moment {
        if self.mended { self.end.later(grace_ms) } else { self.end }
    }

    /// The faults behind the labels of a run, by onset.
    ///
    /// A fault that stands in several trips has a label in each. A label without an end and one for the same finding and
    /// sensor in the next trip are one fault. What is due by the book is a fault from that moment on and none before.
    #[must_use]
    pub(super) fn all(labels: &[Label]) -> Vec<Self> {
        let mut labels: Vec<Self> = labels.iter().map(Self::of).collect();
        labels.sort_by_key(|fault| fault.onset);
        let mut faults: Vec<Self> = Vec::with_capacity(labels.len());
        for label in labels {
            let begun = faults
                .iter_mut()
                .find(|fault| fault.named == label.named && !fault.mended && fault.end.trip + 1 == label.onset.trip);
            match begun {
                Some(fault) => {
                    fault.end = label.end;
                    fault.mended = label.mended;
                    fault.detectable = fault.detectable.or(label.detectable);
                    fault.severity = fault.severity.max(label.severity);
                }
                None => faults.push(label),
            }
        }
        let mut faults: Vec<Self> = faults.into_iter().filter_map(Self::once_due).collect();
        faults.sort_by_key(|fault| fault.onset);
        faults
    }

    /// A service that is not due yet is no fault: saying so early is as false as at any other time.
    fn once_due(self) -> Option<Self> {
        match self.named.finding.family() {
            Family::Care => self.detectable.map(|due| Self { onset: due, ..self }),
            _ => Some(self),
        }
    }

    fn of(label: &Label) -> Self {
        let at = |seconds: f64| Moment { trip: label.trip, at_ms: millis(seconds) };
        Self {
            named: Named { finding: label.finding, channel: label.channel },
            onset: at(label.onset_s),
            detectable: label.detectable_s.map(at),
            end: label.end_s.map_or(Moment::end_of_trip(label.trip), at),
            mended: label.end_s.is_some(),
            severity: label.severity,
        }
    }
}

/// Seconds as whole milliseconds.
#[must_use]
pub(super) fn millis(seconds: f64) -> i64 {
    // Scenarios are shorter than three hundred million years; the cast saturates beyond that.
    #[expect(clippy::cast_possible_truncation, reason = "saturates")]
    let millis = (seconds * 1_000.0).round() as i64;
    millis
}

#[cfg(test)]
mod tests {
    use monitor_core::finding::Finding;

    use super::*;

    fn label(trip: i16, onset_s: f64, detectable_s: Option<f64>, end_s: Option<f64>) -> Label {
        Label { trip, finding: Finding::ImpellerWorn, channel: None, onset_s, detectable_s, end_s, severity: 0.5 }
    }

    #[test]
    fn a_fault_that_stands_over_trips_is_one() {
        let labels =
            [label(1, 0.0, Some(7.5), None), label(0, 100.0, None, None), label(2, 0.0, Some(1.0), Some(50.0))];
        let faults = Fault::all(&labels);
        assert_eq!(faults.len(), 1);
        assert_eq!(faults[0].onset, Moment { trip: 0, at_ms: 100_000 });
        assert_eq!(faults[0].detectable, Some(Moment { trip: 1, at_ms: 7_500 }));
        assert_eq!(faults[0].end, Moment { trip: 2, at_ms: 50_000 });
        assert_eq!(faults[0].over(60_000), Moment { trip: 2, at_ms: 110_000 });
    }

    #[test]
    fn a_service_is_a_fault_once_it_is_due() {
        let due = |trip, detectable_s| Label { finding: Finding::ServiceDue, ..label(trip, 0.0, detectable_s, None) };
        let other = label(0, 100.0, Some(100.0), None);
        let faults = Fault::all(&[due(0, None), due(1, Some(300.0)), other]);
        let seen: Vec<_> = faults.iter().map(|fault| (fault.named.finding, fault.onset)).collect();
        let at = |trip, at_ms| Moment { trip, at_ms };
        assert_eq!(seen, [(Finding::ImpellerWorn, at(0, 100_000)), (Finding::ServiceDue, at(1, 300_000))]);
        assert_eq!(Fault::all(&[due(0, None), due(1, None)]), [], "never due");
    }

    #[test]
    fn a_fault_that_was_mended_and_comes_back_is_two() {
        let cases = [
            ("mended", [label(0, 1.0, None, Some(9.0)), label(1, 0.0, None, None)]),
            ("a trip between", [label(0, 1.0, None, None), label(2, 0.0, None, None)]),
        ];
        for (name, labels) in cases {
            assert_eq!(Fault::all(&labels).len(), 2, "{name}");
        }
    }
}
