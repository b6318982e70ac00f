//! From when on a fault could be noticed: the boat is compared with a twin that has no fault, on the same water with the
//! same lever and the same noise.
//!
//! Detectors are not asked: the rules below look at what is true or at what the sensors show, never at what the monitor
//! makes of it. They stand in words in `docs/scenario.md`.

use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::finding::Finding;
use monitor_core::profile::Profile;
use monitor_core::units::Quantity;

use super::book::Book;
use super::faults::Fault;
use super::labels::Label;
use super::sensors::{Sensors, Values};
use crate::plant::Truth;

/// One moment of the boat and of its twin.
pub(super) struct Scene<'a> {
    pub(super) at_s: f64,
    pub(super) elapsed_s: f64,
    pub(super) profile: &'a Profile,
    /// The channels that are written.
    pub(super) channels: ChannelSet,
    pub(super) truth: &'a Truth,
    pub(super) twin_truth: &'a Truth,
    pub(super) values: &'a Values,
    pub(super) twin_values: &'a Values,
    pub(super) twin_sensors: &'a Sensors,
    pub(super) book: &'a Book,
    /// Running seconds, and seconds of the clock, since the first row of the first trip.
    pub(super) running_s: f64,
    pub(super) clock_s: f64,
}

/// How long a thing must last, and for how long it may pause meanwhile, seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Hold {
    lasts_s: f64,
    pause_s: f64,
}

/// Follows one fault through one trip.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Watch {
    fault: Fault,
    label: Label,
    hold: Hold,
    /// When what is there now began.
    since_s: Option<f64>,
    paused_s: f64,
    /// Whether water came since the engine started.
    wet: bool,
    /// Head of boat and twin some seconds ago, for their slopes.
    slopes: [Slope; 2],
}

/// The rise of a temperature over the last seconds, smoothed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Slope {
    last: Option<f64>,
    kelvin_per_s: f64,
}

impl Slope {
    const SMOOTHED_OVER_S: f64 = 10.0;

    fn follow(&mut self, now: f64, elapsed_s: f64) -> f64 {
        if let Some(last) = self.last.filter(|_| elapsed_s > 0.0) {
            let rise = (now - last) / elapsed_s;
            self.kelvin_per_s += (rise - self.kelvin_per_s) * (elapsed_s / (elapsed_s + Self::SMOOTHED_OVER_S));
        }
        self.last = Some(now);
        self.kelvin_per_s
    }
}

/// `head-climbing` warns when the limit is nearer than this.
const CLIMB_S: f64 = 180.0;
/// `charge-lost` counts above this speed.
const CHARGES_FROM_RPM: f64 = 2_000.0;

impl Watch {
    /// Follows `fault` through the trip `trip`, in which it stands from `onset_s` on.
    pub(super) fn new(fault: Fault, trip: i16, onset_s: f64) -> Self {
        let label = Label {
            trip,
            finding: fault.finding,
            channel: fault.channel,
            onset_s,
            detectable_s: None,
            end_s: fault.end.filter(|(end_trip, _)| *end_trip == trip).map(|(_, end_s)| end_s),
            severity: fault.severity,
        };
        Self {
            fault,
            label,
            hold: hold(fault.finding),
            since_s: None,
            paused_s: 0.0,
            wet: false,
            slopes: [Slope::default(); 2],
        }
    }

    /// The label, once the trip is over.
    pub(super) const fn label(&self) -> Label {
        self.label
    }

    /// Looks at one moment at which the fault stands.
    pub(super) fn look(&mut self, scene: &Scene<'_>) {
        if self.label.detectable_s.is_some() {
            return;
        }
        if self.is_there(scene) {
            let since_s = *self.since_s.get_or_insert(scene.at_s);
            self.paused_s = 0.0;
            if scene.at_s - since_s >= self.hold.lasts_s {
                self.label.detectable_s = Some(since_s);
            }
            return;
        }
        self.paused_s += scene.elapsed_s;
        if self.paused_s > self.hold.pause_s {
            self.since_s = None;
        }
    }

    fn is_there(&mut self, scene: &Scene<'_>) -> bool {
        let (truth, twin) = (scene.truth, scene.twin_truth);
        let rpm_of = |rpm: monitor_core::units::Rpm| f64::from(rpm.raw()) / 4.0;
        let thousandths = |raw: i32| f64::from(raw) / 1_000.0;
        let limit_c = thousandths(scene.profile.head_limit_or_default().raw());
        let least_lpm = thousandths(scene.profile.flow_min_or_default().raw());
        self.wet = truth.firing && (self.wet || truth.telltale_lpm >= least_lpm);
        match self.fault.finding {
            Finding::StreamLost => truth.firing && truth.telltale_lpm < least_lpm && twin.telltale_lpm >= least_lpm,
            Finding::DryStart => truth.firing && !self.wet,
            Finding::HeadOverLimit => truth.firing && truth.head_c > limit_c,
            Finding::HeadClimbing => {
                let [climbs, twin_climbs] = [truth, twin].map(|truth| truth.head_c);
                let [slope, twin_slope] = &mut self.slopes;
                let slope = slope.follow(climbs, scene.elapsed_s);
                let twin_slope = twin_slope.follow(twin_climbs, scene.elapsed_s);
                let is_near = |head_c: f64, slope: f64| slope > 0.0 && (limit_c - head_c) / slope < CLIMB_S;
                truth.firing && is_near(climbs, slope) && !is_near(twin_climbs, twin_slope)
            }
            Finding::OilPressureLow => {
                let least = scene.profile.oil_min.map(|least| thousandths(least.raw()));
                truth.firing && truth.oil_kpa.zip(least).is_some_and(|(oil_kpa, least)| oil_kpa < least)
            }
            Finding::OverSpeed => truth.rpm > rpm_of(scene.profile.max),
            Finding::ChargeLost => {
                let least = scene.profile.electric.map(|electric| thousandths(electric.charging_min.raw()));
                truth.firing
                    && truth.rpm > CHARGES_FROM_RPM
                    && least.is_some_and(|least| truth.supply_v < least && twin.supply_v >= least)
            }
            finding @ (Finding::ServiceDue | Finding::FuelOld) => {
                scene.book.is_due(finding, scene.running_s, scene.clock_s)
            }
            finding => self.channels(finding).any(|channel| self.differs(scene, channel)),
        }
    }

    /// The channels in which a cause shows.
    fn channels(&self, finding: Finding) -> impl Iterator<Item = Channel> + use<> {
        let shown: &[Channel] = match finding {
            Finding::HubSlipping => &[Channel::Rpm, Channel::Speed],
            Finding::RunningUnsteady => &[Channel::Rpm],
            Finding::WeakConnection => &[Channel::Supply],
            Finding::TelltalePlugged => &[Channel::Flow],
            _ => &[Channel::Flow, Channel::Head],
        };
        let own = self.fault.channel;
        let others = if own.is_some() { &[] } else { shown };
        own.into_iter().chain(others.iter().copied())
    }

    fn differs(&self, scene: &Scene<'_>, channel: Channel) -> bool {
        let of = |values: &Values| values.get(channel.index()).copied().flatten();
        scene.channels.contains(channel) && scene.twin_sensors.differ(channel, of(scene.values), of(scene.twin_values))
    }
}

/// How long what a finding rests on must last.
fn hold(finding: Finding) -> Hold {
    let (lasts_s, pause_s) = match finding {
        Finding::StreamLost | Finding::HeadOverLimit | Finding::OilPressureLow | Finding::OverSpeed => (3.0, 0.0),
        Finding::DryStart | Finding::HeadClimbing => (5.0, 0.0),
        // As the finding itself: sixty seconds, in which the speed may fall for ten.
        Finding::ChargeLost => (60.0, 10.0),
        // The book says it at once.
        Finding::ServiceDue | Finding::FuelOld => (0.0, 0.0),
        // The starter turns for a second or two.
        Finding::WeakConnection => (1.0, 0.0),
        // Comes and goes.
        Finding::RunningUnsteady | Finding::SensorNoisy => (5.0, 3.0),
        _ => (5.0, 0.0),
    };
    Hold { lasts_s, pause_s }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::scenario::{BookItem, BookPlan, Span};
    use crate::simulate::sensors::{Draws, SensorFaults, SensorSpec};
    use monitor_core::ledger::Item;
    use monitor_core::profile::Electric;
    use monitor_core::units::{Pressure, Rpm, Temperature, Voltage};
    use rand_pcg::Pcg64Mcg;
    use rand_pcg::rand_core::SeedableRng;

    fn profile() -> Profile {
        let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
        profile.head_limit = Some(Temperature::from_millicelsius(95_000));
        profile.oil_min = Some(Pressure::from_pascals(100_000));
        profile.electric = Some(Electric { charging_min: Voltage::from_millivolts(13_000) });
        profile
    }

    const WELL: fn() -> Truth = || Truth {
        rpm: 3_000.0,
        head_c: 65.0,
        telltale_lpm: 2.5,
        supply_v: 14.1,
        oil_kpa: Some(300.0),
        tach_pulses_ok: true,
        firing: true,
        ..Truth::default()
    };

    fn item_due_after(seconds: f64) -> BookItem {
        let hours = Some(seconds / 3_600.0);
        BookItem { item: Item::Impeller, hours, months: None, run_in_hours: None, hours_ago: None, days_ago: None }
    }

    /// When a fault counts as noticeable, if the boat is as `sick` says from second 100 on and well before; one sample a
    /// second, 300 of them.
    fn noticed(finding: Finding, channel: Option<Channel>, sick: impl Fn(f64, &mut Truth)) -> Option<f64> {
        let fault =
            Fault { finding, channel, trip: 0, onset_s: 0.0, severity: 1.0, growth_s: 0.0, end: None, way: 0.0 };
        let mut watch = Watch::new(fault, 0, 0.0);
        let mut boat = Sensors::new(SensorSpec::default());
        let mut twin = boat;
        let (draws, none, profile) = (Draws::default(), SensorFaults::default(), profile());
        let book = Book::new(
            &BookPlan { run_h: Span::only(0.0), date: None, items: vec![item_due_after(150.0)] },
            &mut Pcg64Mcg::seed_from_u64(1),
        );
        for second in 0..300_u16 {
            let at_s = f64::from(second);
            let (mut truth, twin_truth) = (WELL(), WELL());
            if at_s >= 100.0 {
                sick(at_s - 100.0, &mut truth);
            }
            let values = boat.read(&truth, 1.0, &draws, &none);
            let twin_values = twin.read(&twin_truth, 1.0, &draws, &none);
            watch.look(&Scene {
                at_s,
                elapsed_s: 1.0,
                profile: &profile,
                channels: ChannelSet::ALL,
                truth: &truth,
                twin_truth: &twin_truth,
                values: &values,
                twin_values: &twin_values,
                twin_sensors: &twin,
                book: &book,
                running_s: at_s,
                clock_s: at_s,
            });
        }
        watch.label().detectable_s
    }

    type Sick = fn(f64, &mut Truth);
    type Case = (&'static str, Finding, Option<Channel>, Sick, Option<f64>);

    #[test]
    fn a_condition_counts_from_its_beginning_once_it_has_lasted() {
        let cases: [(&str, Finding, Sick, Option<f64>); 11] = [
            ("no stream", Finding::StreamLost, |_, truth| truth.telltale_lpm = 0.1, Some(100.0)),
            ("a gulp", Finding::StreamLost, |at, truth| truth.telltale_lpm = if at < 3.0 { 0.1 } else { 2.5 }, None),
            ("over the limit", Finding::HeadOverLimit, |at, truth| truth.head_c = 90.0 + at, Some(106.0)),
            ("stopped and hot", Finding::HeadOverLimit, |_, truth| (truth.head_c, truth.firing) = (99.0, false), None),
            ("oil", Finding::OilPressureLow, |_, truth| truth.oil_kpa = Some(99.0), Some(100.0)),
            ("fast", Finding::OverSpeed, |_, truth| truth.rpm = 6_001.0, Some(100.0)),
            ("no charge", Finding::ChargeLost, |_, truth| truth.supply_v = 12.4, Some(100.0)),
            ("no charge at idle", Finding::ChargeLost, |_, truth| (truth.rpm, truth.supply_v) = (900.0, 12.4), None),
            ("slow climb", Finding::HeadClimbing, |at, truth| truth.head_c = 65.0 + 0.01 * at, None),
            ("an item that is due after 150 s", Finding::ServiceDue, |_, _| {}, Some(150.0)),
            ("no fuel in the book", Finding::FuelOld, |_, truth| truth.telltale_lpm = 0.0, None),
        ];
        for (name, finding, sick, expected) in cases {
            assert_eq!(noticed(finding, None, sick), expected, "{name}");
        }
        let climbs = noticed(Finding::HeadClimbing, None, |at, truth| truth.head_c = 65.0 + 0.5 * at);
        assert!(climbs.is_some_and(|at_s| (100.0..110.0).contains(&at_s)), "{climbs:?}");
    }

    #[test]
    fn a_cause_counts_once_its_channels_differ_for_five_seconds() {
        let cases: [Case; 7] = [
            ("flow", Finding::VaneLost, None, |_, truth| truth.telltale_lpm = 2.0, Some(100.0)),
            ("within the noise", Finding::VaneLost, None, |_, truth| truth.telltale_lpm = 2.45, None),
            (
                "too short",
                Finding::VaneLost,
                None,
                |at, truth| truth.telltale_lpm = if at < 4.0 { 1.0 } else { 2.5 },
                None,
            ),
            ("another channel", Finding::HubSlipping, None, |_, truth| truth.head_c = 80.0, None),
            ("speed", Finding::HubSlipping, None, |_, truth| truth.speed_kn = 4.0, Some(100.0)),
            (
                "its own sensor",
                Finding::SensorDrift,
                Some(Channel::Oil),
                |_, truth| truth.oil_kpa = Some(200.0),
                Some(100.0),
            ),
            ("not its sensor", Finding::SensorDrift, Some(Channel::Oil), |_, truth| truth.head_c = 90.0, None),
        ];
        for (name, finding, channel, sick, expected) in cases {
            let found = noticed(finding, channel, sick);
            // A lagging sensor takes its time.
            let near = match (found, expected) {
                (Some(found), Some(expected)) => (expected..expected + 4.0).contains(&found),
                (found, expected) => found == expected,
            };
            assert!(near, "{name}: {found:?}");
        }
    }

    #[test]
    fn what_comes_and_goes_may_pause() {
        let hunts = |at: f64, truth: &mut Truth| {
            if at % 4.0 < 2.0 {
                truth.rpm = 2_500.0;
            }
        };
        assert_eq!(noticed(Finding::RunningUnsteady, None, hunts), Some(100.0));
        assert_eq!(noticed(Finding::SensorDrift, Some(Channel::Rpm), hunts), None);
    }
}
