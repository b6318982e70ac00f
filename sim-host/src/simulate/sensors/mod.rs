//! Sensors: what stands in the trace, given what is true.
//!
//! Each channel lags behind, is noisy, shows whole steps and may be broken. All random numbers of one sample are drawn
//! first, always as many, so that a fault-free twin sees the same noise.

mod spec;

use monitor_core::acquire::{Channel, Quality, Readings};
use rand_pcg::Pcg64Mcg;

use crate::plant::Truth;
use crate::plant::noise::{normal, uniform};
pub(super) use spec::SensorSpec;

/// What is wrong with one sensor.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) enum SensorFault {
    #[default]
    None,
    /// The lead is open.
    Open,
    /// The lead is shorted.
    Short,
    /// It shows what it showed when the fault came.
    Stuck,
    /// So much noisier: 1 is thirty times.
    Noisy(f64),
    /// Off by this share of what is called a gross error of the channel.
    Drift(f64),
    /// Counts so many times what there is.
    Miscount(f64),
    /// Nothing arrives: a blank cell.
    Blank,
    /// The rotor is jammed.
    Jammed,
}

/// What is wrong with the sensors at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct SensorFaults {
    each: [SensorFault; Channel::COUNT],
    /// Spikes a minute that the ignition throws into each analog lead.
    pub(super) spikes_per_minute: f64,
}

impl SensorFaults {
    pub(super) fn set(&mut self, channel: Channel, fault: SensorFault) {
        if let Some(place) = self.each.get_mut(channel.index()) {
            *place = fault;
        }
    }

    pub(super) fn of(&self, channel: Channel) -> SensorFault {
        self.each.get(channel.index()).copied().unwrap_or_default()
    }
}

/// The random numbers of one sample.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Draws {
    each: [f64; Channel::COUNT],
    /// Whether a spike comes, where to, how large.
    spike: [f64; 3],
}

impl Draws {
    pub(super) fn new(random: &mut Pcg64Mcg) -> Self {
        Self { each: [(); Channel::COUNT].map(|()| normal(random)), spike: [(); 3].map(|()| uniform(random)) }
    }
}

/// Values of one sample in the units of the core, by [`Channel::index`]; `None` is a blank cell.
pub(super) type Values = [Option<i32>; Channel::COUNT];

/// The sensors of one boat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sensors {
    spec: SensorSpec,
    /// What the lagging element of each sensor has; `NAN` before the first sample.
    lagged: [f64; Channel::COUNT],
    /// By what each one's scale is off in this trip, as a multiple.
    scales: [f64; Channel::COUNT],
    /// What each showed when it last worked.
    shown: Values,
}

/// Of so many spikes that reach the leads, each hits one channel.
const SPIKED: [Channel; 4] = [Channel::Head, Channel::Water, Channel::Supply, Channel::Oil];
/// Fault of 1: noise of so many times the usual.
const NOISY_TIMES: f64 = 30.0;

impl Sensors {
    pub(super) const fn new(spec: SensorSpec) -> Self {
        Self { spec, lagged: [f64::NAN; Channel::COUNT], scales: [1.0; Channel::COUNT], shown: [None; Channel::COUNT] }
    }

    /// A trip begins after a pause: the elements have taken on what is around them.
    pub(super) fn begin_trip(&mut self, scales: [f64; Channel::COUNT]) {
        self.lagged = [f64::NAN; Channel::COUNT];
        self.scales = scales;
    }

    /// One sample, `elapsed_s` after the one before.
    pub(super) fn read(&mut self, truth: &Truth, elapsed_s: f64, draws: &Draws, faults: &SensorFaults) -> Values {
        let mut values = [None; Channel::COUNT];
        let [chance, whereto, size] = draws.spike;
        let spiked = truth.firing && chance < faults.spikes_per_minute * elapsed_s / 60.0;
        let hit = spiked.then(|| SPIKED.get((whereto * SPIKED.len() as f64) as usize).copied()).flatten();
        for channel in Channel::ALL {
            let spec = self.spec.of(channel);
            let (Some(true_value), Some(scale), Some(lagged), Some(draw), Some(shown), Some(place)) = (
                measured(truth, channel),
                self.scales.get(channel.index()),
                self.lagged.get_mut(channel.index()),
                draws.each.get(channel.index()),
                self.shown.get_mut(channel.index()),
                values.get_mut(channel.index()),
            ) else {
                continue;
            };
            *lagged = follow(*lagged, true_value * scale, elapsed_s, spec.lag_s);
            let fault = faults.of(channel);
            let noise = spec.noise_at(*lagged) * draw;
            let spike = if hit == Some(channel) { spec.gross * (2.0 * size - 1.0) } else { 0.0 };
            let value = match fault {
                SensorFault::Noisy(level) => *lagged + noise * (1.0 + (NOISY_TIMES - 1.0) * level),
                SensorFault::Drift(level) => *lagged + noise + spec.gross * level,
                SensorFault::Miscount(times) => (*lagged + noise) * times,
                _ => *lagged + noise,
            } + spike;
            *place = match fault {
                SensorFault::Blank => None,
                SensorFault::Open => spec.open,
                SensorFault::Short => spec.short,
                SensorFault::Jammed => Some(0),
                SensorFault::Stuck => *shown,
                _ => Some(spec.show(value)),
            };
            if fault != SensorFault::Stuck {
                *shown = place.or(*shown);
            }
        }
        values
    }

    /// Whether two values of a channel lie further apart than three standard deviations of its noise; a blank cell and a
    /// value always do.
    pub(super) fn differ(&self, channel: Channel, value: Option<i32>, twin: Option<i32>) -> bool {
        match (value, twin) {
            (Some(value), Some(twin)) => {
                let spec = self.spec.of(channel);
                let apart = f64::from(value) - f64::from(twin);
                let limit = (3.0 * spec.noise_at(f64::from(twin) / spec.per_unit)).max(1.5 * spec.step);
                apart.abs() > limit * spec.per_unit
            }
            (None, None) => false,
            _ => true,
        }
    }
}

/// The true value of a channel in the unit of its trace column.
fn measured(truth: &Truth, channel: Channel) -> Option<f64> {
    match channel {
        Channel::Rpm => Some(if truth.tach_pulses_ok { truth.rpm } else { 0.0 }),
        Channel::Head => Some(truth.head_c),
        Channel::Flow => Some(truth.telltale_lpm),
        Channel::Supply => Some(truth.supply_v),
        // Speed over ground has no sign.
        Channel::Speed => Some(truth.speed_kn.abs()),
        Channel::Water => Some(truth.water_c),
        Channel::Oil => truth.oil_kpa,
    }
}

/// A first-order lag that is stable at any step.
fn follow(lagged: f64, now: f64, elapsed_s: f64, lag_s: f64) -> f64 {
    if lagged.is_nan() || lag_s <= 0.0 {
        return now;
    }
    lagged + (now - lagged) * (elapsed_s / (elapsed_s + lag_s))
}

/// The readings of a sample: as the trace reader makes them of the cells that [`super::csv`] writes.
pub(super) fn readings(values: &Values) -> Readings {
    let mut readings = Readings::default();
    for (channel, value) in Channel::ALL.into_iter().zip(values) {
        if let Some(value) = value {
            readings.set_raw(channel, *value, Quality::Good);
        }
    }
    readings
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_pcg::rand_core::SeedableRng;

    fn truth() -> Truth {
        Truth {
            rpm: 3_000.0,
            head_c: 65.0,
            telltale_lpm: 2.5,
            supply_v: 14.1,
            speed_kn: -3.0,
            water_c: 18.0,
            oil_kpa: Some(320.0),
            tach_pulses_ok: true,
            firing: true,
            ..Truth::default()
        }
    }

    fn faulty(channel: Channel, fault: SensorFault) -> SensorFaults {
        let mut faults = SensorFaults::default();
        faults.set(channel, fault);
        faults
    }

    #[test]
    fn without_noise_a_sensor_shows_the_truth_in_its_steps() {
        let mut sensors = Sensors::new(SensorSpec::default());
        let values = sensors.read(&truth(), 0.0, &Draws::default(), &SensorFaults::default());
        let expected = [12_000, 65_000, 2_500, 14_100, 3_000, 18_000, 320_000].map(Some);
        assert_eq!(values, expected);
        let two_stroke = Truth { oil_kpa: None, ..truth() };
        let values = sensors.read(&two_stroke, 1.0, &Draws::default(), &SensorFaults::default());
        assert_eq!(values[Channel::Oil.index()], None);
    }

    #[test]
    fn a_broken_sensor_shows_what_its_fault_makes_of_the_truth() {
        let cases = [
            ("open thermistor", Channel::Head, SensorFault::Open, Some(-55_000)),
            ("open pulse lead", Channel::Rpm, SensorFault::Open, None),
            ("open supply", Channel::Supply, SensorFault::Open, Some(0)),
            ("shorted thermistor", Channel::Water, SensorFault::Short, Some(250_000)),
            ("stuck", Channel::Head, SensorFault::Stuck, Some(40_000)),
            ("drift", Channel::Head, SensorFault::Drift(0.5), Some(75_000)),
            ("drift downward", Channel::Supply, SensorFault::Drift(-1.0), Some(12_600)),
            ("double", Channel::Rpm, SensorFault::Miscount(2.0), Some(24_000)),
            ("half", Channel::Flow, SensorFault::Miscount(0.5), Some(1_250)),
            ("blank", Channel::Oil, SensorFault::Blank, None),
            ("jammed", Channel::Flow, SensorFault::Jammed, Some(0)),
        ];
        for (name, channel, fault, expected) in cases {
            let mut spec = SensorSpec::default();
            spec.set(Channel::Head, |head| head.lag_s = 0.0);
            let mut sensors = Sensors::new(spec);
            let cool = Truth { head_c: 40.0, ..truth() };
            sensors.read(&cool, 0.0, &Draws::default(), &SensorFaults::default());
            let values = sensors.read(&truth(), 1.0, &Draws::default(), &faulty(channel, fault));
            assert_eq!(values[channel.index()], expected, "{name}");
        }
    }

    #[test]
    fn an_element_follows_with_its_lag() {
        let mut sensors = Sensors::new(SensorSpec::default());
        let (draws, none) = (Draws::default(), SensorFaults::default());
        sensors.read(&Truth { head_c: 20.0, ..truth() }, 0.0, &draws, &none);
        let mut head = 0;
        for _ in 0..50 {
            head = sensors.read(&Truth { head_c: 80.0, ..truth() }, 0.1, &draws, &none)[1].unwrap();
        }
        // After one time constant of 5 s: 1 - 1/e of the way, less what the steps of 0.1 s cost.
        assert!((f64::from(head) / 1_000.0 - (20.0 + 60.0 * 0.632)).abs() < 1.0, "{head}");
    }

    #[test]
    fn noise_has_its_standard_deviation_and_a_fault_does_not_move_it() {
        let mut random = Pcg64Mcg::seed_from_u64(3);
        let (mut one, mut other) = (Sensors::new(SensorSpec::default()), Sensors::new(SensorSpec::default()));
        let mut squares = 0.0;
        for _ in 0..20_000 {
            let draws = Draws::new(&mut random);
            let values = one.read(&truth(), 1.0, &draws, &SensorFaults::default());
            let twins = other.read(&truth(), 1.0, &draws, &faulty(Channel::Flow, SensorFault::Jammed));
            squares += (f64::from(values[1].unwrap()) - 65_000.0).powi(2);
            for channel in Channel::ALL {
                let differ = one.differ(channel, values[channel.index()], twins[channel.index()]);
                assert_eq!(differ, channel == Channel::Flow, "{}", channel.name());
            }
        }
        let deviation_k = (squares / 20_000.0).sqrt() / 1_000.0;
        // 0.1 K of noise and 0.1 K / √12 of the steps.
        assert!((deviation_k - 0.104).abs() < 0.004, "{deviation_k}");
    }

    #[test]
    fn spikes_come_as_often_as_asked_while_the_engine_fires() {
        let spikes = |firing: bool| {
            let mut random = Pcg64Mcg::seed_from_u64(3);
            let faults = SensorFaults { spikes_per_minute: 6.0, ..SensorFaults::default() };
            let mut sensors = Sensors::new(SensorSpec::default());
            let truth = Truth { firing, ..truth() };
            let far = |values: Values| values[1].is_some_and(|head| (head - 65_000).abs() > 2_000);
            (0..60_000).filter(|_| far(sensors.read(&truth, 1.0, &Draws::new(&mut random), &faults))).count()
        };
        // A quarter of 6,000 hits the head; a tenth of them is smaller than 2 K of 20.
        assert!((1_200..1_500).contains(&spikes(true)), "{}", spikes(true));
        assert_eq!(spikes(false), 0);
    }
}
