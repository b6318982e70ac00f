//! The findings that missing sensors and missing lines cost.

use monitor_core::acquire::ChannelSet;
use monitor_core::detect::unavailable;
use monitor_core::profile::Profile;

use super::Cost;
use crate::texts;

/// By reason, in the order of the findings' names.
pub(super) fn of(profile: &Profile) -> Vec<Cost> {
    let mut costs: Vec<Cost> = Vec::new();
    for (finding, why) in unavailable(profile, ChannelSet::ALL) {
        let why = texts::why(why);
        match costs.iter_mut().find(|cost| cost.why == why) {
            Some(cost) => cost.findings.push(finding.name()),
            None => costs.push(Cost { why, findings: vec![finding.name()] }),
        }
    }
    costs
}
