//! What really happened: one label for each fault and each trip in which it stands.

use std::fmt::Write as _;

use monitor_core::acquire::Channel;
use monitor_core::finding::Finding;

/// One fault in one trip. Times are seconds on the clock of the trip, as `t_s` of its trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Label {
    /// The trip.
    pub trip: i16,
    /// What the fault provokes.
    pub finding: Finding,
    /// The sensor that is at fault; `None` on findings that name no channel.
    pub channel: Option<Channel>,
    /// When the fault began; 0 in a trip into which it came from an earlier one.
    pub onset_s: f64,
    /// When it could first be noticed (`docs/scenario.md` has the rule of each finding); `None`: never in this trip.
    pub detectable_s: Option<f64>,
    /// When it ended; `None`: it stood at the end of the trip.
    pub end_s: Option<f64>,
    /// How bad, from 0 to 1, once it has grown.
    pub severity: f64,
}

impl Label {
    /// Appends the label as one line of JSON, with its line feed.
    pub fn write_json(&self, out: &mut String) {
        let time = |seconds: Option<f64>| seconds.map_or_else(|| "null".to_owned(), |seconds| format!("{seconds:.3}"));
        let channel = self.channel.map_or_else(|| "null".to_owned(), |channel| format!("\"{}\"", channel.name()));
        let finding = self.finding.name();
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "{{\"trip\":{},\"finding\":\"{finding}\",\"channel\":{channel},\"onset_s\":{:.3},\"detectable_s\":{},\"end_s\":{},\"severity\":{:.3}}}",
            self.trip,
            self.onset_s,
            time(self.detectable_s),
            time(self.end_s),
            self.severity,
        );
    }
}

/// A stretch that looks like trouble and is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NearMiss {
    /// The trip.
    pub trip: i16,
    /// Its kind as in scenarios.
    pub kind: &'static str,
    /// When it began, seconds on the clock of the trip.
    pub onset_s: f64,
    /// When it ended; `None`: with the trip.
    pub end_s: Option<f64>,
}

/// What one trip came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TripFacts {
    /// The trip; −1 is commissioning.
    pub trip: i16,
    /// Seconds from its first to its last instant.
    pub written_s: f64,
    /// Of them, with the engine firing.
    pub running_s: f64,
    /// When the true head of the running engine was first over the limit of the profile.
    pub head_over_limit_s: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_have_the_keys_of_the_design_in_their_order() {
        let mut text = String::new();
        let mut label = Label {
            trip: 2,
            finding: Finding::IntakeBlocked,
            channel: None,
            onset_s: 412.5,
            detectable_s: Some(415.25),
            end_s: None,
            severity: 0.8,
        };
        label.write_json(&mut text);
        label = Label { finding: Finding::SensorOpen, channel: Some(Channel::Head), detectable_s: None, ..label };
        Label { end_s: Some(500.0), ..label }.write_json(&mut text);
        let expected = "{\"trip\":2,\"finding\":\"intake-blocked\",\"channel\":null,\"onset_s\":412.500,\"detectable_s\":415.250,\"end_s\":null,\"severity\":0.800}\n\
                        {\"trip\":2,\"finding\":\"sensor-open\",\"channel\":\"head\",\"onset_s\":412.500,\"detectable_s\":null,\"end_s\":500.000,\"severity\":0.800}\n";
        assert_eq!(text, expected);
    }
}
