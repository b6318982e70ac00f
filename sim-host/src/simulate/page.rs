//! The trips of a run as charts on one page that needs nothing from outside, to be looked at by somebody who knows engines.

use std::fmt::Write as _;

use monitor_core::acquire::{Channel, ChannelSet, Quality, Readings};
use monitor_core::time::Instant;

use super::{Label, Simulated, TripSink};
use crate::chart::{Chart, Line};
use crate::html::escaped;

const STYLE: &str = "\
body{font:15px/1.45 sans-serif;color:#222;max-width:62rem;margin:2rem auto;padding:0 1rem}\
h1{font-size:1.5rem}h2{font-size:1.15rem;margin-top:2.2rem}svg{display:block;max-width:100%;height:auto}";

/// So many stretches of a trip are drawn, each as its least and its greatest value.
const STRETCHES: usize = 600;
/// Height of a chart in pixels.
const HEIGHT: u32 = 150;

/// What is drawn on one chart.
struct Panel {
    unit: &'static str,
    channels: &'static [Channel],
}

const PANELS: [Panel; 6] = [
    Panel { unit: "rpm", channels: &[Channel::Rpm] },
    Panel { unit: "°C", channels: &[Channel::Head, Channel::Water] },
    Panel { unit: "L/min", channels: &[Channel::Flow] },
    Panel { unit: "V", channels: &[Channel::Supply] },
    Panel { unit: "kn", channels: &[Channel::Speed] },
    Panel { unit: "kPa", channels: &[Channel::Oil] },
];

/// Takes the trips of a run and makes a page of them.
#[derive(Debug, Default)]
pub struct Page {
    trips: Vec<Trip>,
}

/// What was shown in one trip.
#[derive(Debug)]
struct Trip {
    number: i16,
    channels: ChannelSet,
    /// By channel: minutes and values.
    series: [Vec<(f64, f64)>; Channel::COUNT],
}

impl TripSink for Page {
    fn begin_trip(&mut self, trip: i16, channels: ChannelSet) {
        self.trips.push(Trip { number: trip, channels, series: Default::default() });
    }

    fn sample(&mut self, at: Instant, readings: &Readings) {
        let Some(trip) = self.trips.last_mut() else { return };
        // Trips are short beside the 285,000 years that a double counts in milliseconds.
        let minutes = at.as_millis() as f64 / 60_000.0;
        for (channel, series) in Channel::ALL.into_iter().zip(&mut trip.series) {
            let reading = readings.raw(channel);
            if reading.quality != Quality::Missing {
                let per_unit = if channel == Channel::Rpm { 4.0 } else { 1_000.0 };
                series.push((minutes, f64::from(reading.raw) / per_unit));
            }
        }
    }

    fn end_trip(&mut self) {}
}

impl Page {
    /// The page, of a run called `title`.
    #[must_use]
    pub fn to_html(&self, title: &str, simulated: &Simulated) -> String {
        let title = escaped(title);
        let mut page = format!(
            "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Lookastern: {title}</title>\
             <style>{STYLE}</style></head><body>\n<h1>{title}</h1>\n<p>Simulated: engines at sea may do otherwise. Of each \
             stretch of a trip the least and the greatest value are drawn; a dashed line stands where a fault begins, could \
             be noticed, or ends.</p>\n"
        );
        for trip in &self.trips {
            trip.add(&mut page, &simulated.labels);
        }
        page.push_str("</body></html>\n");
        page
    }
}

impl Trip {
    fn add(&self, page: &mut String, labels: &[Label]) {
        let heading = if self.number < 0 { "Commissioning".to_owned() } else { format!("Trip {}", self.number) };
        // Writing to a String cannot fail.
        let _ = writeln!(page, "<h2>{heading}</h2>");
        let own: Vec<&Label> = labels.iter().filter(|label| label.trip == self.number).collect();
        for label in &own {
            let _ = writeln!(page, "<p>{}</p>", said(label));
        }
        for panel in PANELS.iter().filter(|panel| panel.channels.iter().any(|channel| self.channels.contains(*channel)))
        {
            page.push_str(&self.chart(panel, &own).to_svg());
            page.push('\n');
        }
    }

    fn chart(&self, panel: &Panel, labels: &[&Label]) -> Chart {
        let mut lines: Vec<Line> = Vec::new();
        for channel in panel.channels.iter().filter(|channel| self.channels.contains(**channel)) {
            let Some(series) = self.series.get(channel.index()) else { continue };
            lines.push(Line { label: channel.name().to_owned(), dashed: false, points: thinned(series) });
        }
        let values = || lines.iter().flat_map(|line| &line.points);
        let end = values().map(|(minutes, _)| *minutes).fold(1.0, f64::max);
        let lowest = values().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
        let highest = values().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
        // Little room above and below, and some where a line is level.
        let room = ((highest - lowest) * 0.06).max(0.05);
        let y_range = if lowest <= highest { (lowest - room, highest + room) } else { (0.0, 1.0) };
        for label in labels {
            for at_s in [Some(label.onset_s), label.detectable_s, label.end_s].into_iter().flatten() {
                let minutes = at_s / 60.0;
                let points = vec![(minutes, y_range.0), (minutes, y_range.1)];
                lines.push(Line { label: String::new(), dashed: true, points });
            }
        }
        Chart { x: "minutes".to_owned(), y: panel.unit.to_owned(), x_range: (0.0, end), y_range, lines, height: HEIGHT }
    }
}

/// A label in words.
fn said(label: &Label) -> String {
    let channel = label.channel.map_or_else(String::new, |channel| format!(" ({})", channel.name()));
    let at = |seconds: Option<f64>| seconds.map_or_else(|| "never".to_owned(), |seconds| format!("{seconds:.0} s"));
    format!(
        "{}{channel}, severity {:.2}: from {} on, noticeable: {}, mended: {}",
        label.finding.name(),
        label.severity,
        at(Some(label.onset_s)),
        at(label.detectable_s),
        at(label.end_s)
    )
}

/// The least and the greatest value of each stretch, in the order in which they came.
fn thinned(series: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let stretch = series.len().div_ceil(STRETCHES).max(1);
    if stretch <= 2 {
        return series.to_vec();
    }
    let mut points = Vec::with_capacity(2 * STRETCHES);
    for part in series.chunks(stretch) {
        let by_value = |one: &&(f64, f64), other: &&(f64, f64)| one.1.total_cmp(&other.1);
        let (least, greatest) = (part.iter().min_by(by_value), part.iter().max_by(by_value));
        let mut ends: Vec<(f64, f64)> = least.into_iter().chain(greatest).copied().collect();
        ends.sort_by(|one, other| one.0.total_cmp(&other.0));
        points.extend(ends);
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thinning_keeps_every_peak_and_the_order() {
        let mut series: Vec<(f64, f64)> = (0..6_000_u16).map(|at| (f64::from(at), 1.0)).collect();
        series[1_234].1 = 9.0;
        series[4_321].1 = -3.0;
        let points = thinned(&series);
        assert!(points.len() <= 2 * STRETCHES);
        assert!(points.contains(&(1_234.0, 9.0)) && points.contains(&(4_321.0, -3.0)));
        assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        assert_eq!(thinned(&series[..900]), series[..900], "few enough as they are");
        assert_eq!(thinned(&[]), []);
    }
}
