//! Days on the water: what the lever does, second by second.
//!
//! The patterns are common practice, not measurements; their speeds are shares of rated speed, so that they fit any
//! engine. `e4-mix` holds the five modes of ISO 8178-4 cycle E4 with their weights.

use rand_pcg::Pcg64Mcg;

use crate::plant::noise::uniform;

/// Where the lever stands until a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Leg {
    /// Seconds from the start of the trip at which it ends.
    pub(super) until_s: f64,
    /// The speed asked for, revolutions a minute; 0 is off.
    pub(super) rpm: f64,
    /// In gear.
    pub(super) in_gear: bool,
    /// Astern, in gear.
    pub(super) astern: bool,
    /// Pull of what is towed, newtons.
    pub(super) tow_n: f64,
    /// Litres a minute on the flushing inlet; `None` afloat.
    pub(super) hose_lpm: Option<f64>,
}

impl Leg {
    /// The engine stands.
    pub(super) const OFF: Self =
        Self { until_s: 0.0, rpm: 0.0, in_gear: false, astern: false, tow_n: 0.0, hose_lpm: None };
}

/// What a day needs to know of its engine.
#[derive(Debug, Clone, Copy)]
pub(super) struct Speeds {
    /// Idle speed, revolutions a minute.
    pub(super) idle_rpm: f64,
    /// Speed of rated power, revolutions a minute.
    pub(super) rated_rpm: f64,
    /// Rated power, kilowatts: the pull of a tow goes with it.
    pub(super) rated_kw: f64,
}

/// The days that have a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Day {
    HarbourCrawl,
    Trolling,
    Cruise,
    TowSports,
    FullThrottle,
    AnchorIdle,
    Hire,
    Hose,
    E4Mix,
}

impl Day {
    pub(crate) const ALL: [Self; 9] = [
        Self::HarbourCrawl,
        Self::Trolling,
        Self::Cruise,
        Self::TowSports,
        Self::FullThrottle,
        Self::AnchorIdle,
        Self::Hire,
        Self::Hose,
        Self::E4Mix,
    ];

    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::HarbourCrawl => "harbour-crawl",
            Self::Trolling => "trolling",
            Self::Cruise => "cruise",
            Self::TowSports => "tow-sports",
            Self::FullThrottle => "full-throttle",
            Self::AnchorIdle => "anchor-idle",
            Self::Hire => "hire",
            Self::Hose => "hose",
            Self::E4Mix => "e4-mix",
        }
    }

    pub(crate) fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|day| day.name() == name)
    }

    /// How long it takes where the scenario does not say, in minutes.
    pub(crate) const fn minutes(self) -> f64 {
        match self {
            Self::HarbourCrawl | Self::AnchorIdle | Self::TowSports => 40.0,
            Self::Trolling | Self::Cruise | Self::Hire | Self::E4Mix => 60.0,
            Self::FullThrottle => 30.0,
            Self::Hose => 12.0,
        }
    }
}

/// Weights and speeds of ISO 8178-4 cycle E4 (spark-ignition craft under 24 m), idle last.
const E4: [(f64, f64); 5] = [(0.06, 1.0), (0.14, 0.8), (0.15, 0.6), (0.25, 0.4), (0.40, 0.0)];
/// Pull of a skier or a tube on a boat of one kilowatt, newtons; common practice: some 700 N behind 45 kW.
const TOW_N_PER_KW: f64 = 15.0;

/// Lays one leg after the other until the day is over.
pub(super) struct Course<'a> {
    legs: Vec<Leg>,
    at_s: f64,
    end_s: f64,
    speeds: Speeds,
    random: &'a mut Pcg64Mcg,
}

impl<'a> Course<'a> {
    pub(super) fn new(speeds: Speeds, minutes: f64, random: &'a mut Pcg64Mcg) -> Self {
        Self { legs: Vec::new(), at_s: 0.0, end_s: minutes * 60.0, speeds, random }
    }

    /// The legs of a day with a name.
    pub(super) fn day(mut self, day: Day) -> Vec<Leg> {
        if day != Day::Hose {
            self.idle(60.0, 180.0);
        }
        while self.at_s < self.end_s {
            match day {
                Day::HarbourCrawl => self.harbour(),
                Day::Trolling => self.ahead(120.0, 600.0, 0.16, 0.30),
                Day::Cruise => self.cruise(),
                Day::TowSports => self.tow(),
                Day::FullThrottle => self.full(),
                Day::AnchorIdle => self.idle(300.0, 900.0),
                Day::Hire => self.hire(),
                Day::Hose => self.hose(),
                Day::E4Mix => self.e4(),
            }
        }
        self.legs
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * uniform(self.random)
    }

    fn lay(&mut self, seconds: f64, leg: Leg) {
        self.at_s = (self.at_s + seconds).min(self.end_s);
        self.legs.push(Leg { until_s: self.at_s, ..leg });
    }

    fn still(&self) -> Leg {
        Leg { rpm: self.speeds.idle_rpm, ..Leg::OFF }
    }

    fn idle(&mut self, low_s: f64, high_s: f64) {
        let seconds = self.between(low_s, high_s);
        self.lay(seconds, self.still());
    }

    fn off(&mut self, low_s: f64, high_s: f64) {
        let seconds = self.between(low_s, high_s);
        self.lay(seconds, Leg::OFF);
    }

    /// Ahead for so many seconds at a share of rated speed, never under idle.
    fn ahead(&mut self, low_s: f64, high_s: f64, low_share: f64, high_share: f64) {
        let seconds = self.between(low_s, high_s);
        let rpm = self.between(low_share, high_share) * self.speeds.rated_rpm;
        self.lay(seconds, Leg { rpm: rpm.max(self.speeds.idle_rpm), in_gear: true, ..self.still() });
    }

    fn harbour(&mut self) {
        self.ahead(30.0, 150.0, 0.14, 0.26);
        if self.between(0.0, 1.0) < 0.4 {
            let seconds = self.between(3.0, 10.0);
            let rpm = self.speeds.idle_rpm * 1.4;
            self.lay(seconds, Leg { rpm, in_gear: true, astern: true, ..self.still() });
        }
        self.idle(10.0, 60.0);
    }

    fn cruise(&mut self) {
        self.ahead(60.0, 180.0, 0.18, 0.28);
        self.ahead(300.0, 900.0, 0.55, 0.75);
        self.ahead(120.0, 400.0, 0.60, 0.85);
        self.idle(30.0, 180.0);
    }

    fn tow(&mut self) {
        let tow_n = TOW_N_PER_KW * self.speeds.rated_kw;
        let (seconds, share) = (self.between(60.0, 180.0), self.between(0.65, 0.85));
        self.lay(seconds, Leg { rpm: share * self.speeds.rated_rpm, in_gear: true, tow_n, ..self.still() });
        self.idle(20.0, 60.0);
        self.ahead(10.0, 40.0, 0.2, 0.35);
    }

    fn full(&mut self) {
        self.ahead(60.0, 120.0, 0.3, 0.5);
        self.ahead(240.0, 600.0, 0.93, 1.0);
        self.ahead(60.0, 180.0, 0.4, 0.6);
        self.idle(30.0, 90.0);
    }

    fn hire(&mut self) {
        self.ahead(40.0, 120.0, 0.16, 0.3);
        self.ahead(120.0, 420.0, 0.35, 0.8);
        self.idle(10.0, 40.0);
        self.off(60.0, 400.0);
        self.idle(15.0, 60.0);
    }

    /// Water on first, then a quarter of an hour at idle, then off.
    fn hose(&mut self) {
        let hose_lpm = Some(self.between(12.0, 22.0));
        let still = Leg { hose_lpm, ..self.still() };
        self.lay(15.0, Leg { rpm: 0.0, ..still });
        let seconds = self.between(400.0, 900.0);
        self.lay(seconds, still);
        self.lay(20.0, Leg { rpm: 0.0, ..still });
    }

    /// The five modes within ten minutes, each with its weight, in the order of the standard.
    fn e4(&mut self) {
        for (weight, share) in E4 {
            let seconds = weight * 600.0;
            if share > 0.0 {
                self.ahead(seconds, seconds, share, share);
            } else {
                self.idle(seconds, seconds);
            }
        }
    }
}

/// Legs of a plan that says seconds and speeds: in gear above idle, out of gear at idle.
pub(super) fn steps(plan: &[(f64, f64)], idle_rpm: f64) -> Vec<Leg> {
    /// Above so many times idle nobody runs an engine out of gear.
    const IN_GEAR_FROM: f64 = 1.15;
    let mut at_s = 0.0;
    let lay = |&(seconds, rpm): &(f64, f64)| {
        at_s += seconds;
        Leg { until_s: at_s, rpm, in_gear: rpm > IN_GEAR_FROM * idle_rpm, ..Leg::OFF }
    };
    plan.iter().map(lay).collect()
}

/// The trip that teaches what is normal: a cold engine is started and warmed up in gear, idles for five minutes, then holds
/// each of the three bands that commissioning wants.
pub(super) fn commissioning(speeds: Speeds) -> Vec<Leg> {
    let idle = |seconds| (seconds, speeds.idle_rpm);
    let ahead = |seconds, share| (seconds, share * speeds.rated_rpm);
    // Eight minutes of warming up: three to eight are common practice in water of 15 to 20 °C.
    let warming = [idle(60.0), ahead(420.0, 0.33)];
    // A little over the five minutes, so that they are whole after the speed has settled.
    let teaching = [idle(310.0), ahead(120.0, 0.4), ahead(120.0, 0.6), ahead(120.0, 0.8), (20.0, 0.0)];
    let plan: Vec<_> = warming.into_iter().chain(teaching).collect();
    steps(&plan, speeds.idle_rpm)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_pcg::rand_core::SeedableRng;

    const SPEEDS: Speeds = Speeds { idle_rpm: 750.0, rated_rpm: 5_500.0, rated_kw: 44.0 };

    fn legs(day: Day, minutes: f64, seed: u64) -> Vec<Leg> {
        Course::new(SPEEDS, minutes, &mut Pcg64Mcg::seed_from_u64(seed)).day(day)
    }

    #[test]
    fn a_day_fills_its_minutes_and_stays_within_the_engine() {
        for day in Day::ALL {
            for seed in 0..20 {
                let legs = legs(day, 50.0, seed);
                assert_eq!(legs.last().map(|leg| leg.until_s), Some(3_000.0), "{}", day.name());
                let rises = legs.windows(2).all(|pair| pair[0].until_s <= pair[1].until_s);
                let fits = legs.iter().all(|leg| leg.rpm == 0.0 || (750.0..=5_500.0).contains(&leg.rpm));
                assert!(rises && fits, "{}: {legs:?}", day.name());
                assert!(legs.iter().all(|leg| leg.hose_lpm.is_none() == (day != Day::Hose)), "{}", day.name());
            }
        }
    }

    /// ISO 8178-4, cycle E4: weights 0.06, 0.14, 0.15, 0.25, 0.40 at 100, 80, 60, 40 % of rated speed and idle.
    #[test]
    fn e4_spends_its_time_as_the_standard_weighs_it() {
        let legs = legs(Day::E4Mix, 1_003.0, 1);
        let mut seconds = [0.0; 5];
        let mut from_s = 0.0;
        for leg in &legs {
            let shares = [5_500.0, 4_400.0, 3_300.0, 2_200.0, 750.0];
            let place = shares.iter().position(|rpm| (rpm - leg.rpm).abs() < 1.0).unwrap();
            seconds[place] += leg.until_s - from_s;
            from_s = leg.until_s;
        }
        for (spent, weight) in seconds.into_iter().zip([0.06, 0.14, 0.15, 0.25, 0.40]) {
            assert!((spent / from_s - weight).abs() < 0.005, "{spent} of {from_s}, not {weight}");
        }
    }

    #[test]
    fn commissioning_idles_warm_and_holds_three_bands_in_gear() {
        let legs = commissioning(SPEEDS);
        let mut from_s = 0.0;
        let mut held = Vec::new();
        for leg in &legs {
            held.push((leg.until_s - from_s, (leg.rpm / SPEEDS.rated_rpm * 100.0).round(), leg.in_gear));
            from_s = leg.until_s;
        }
        let bands = [(120.0, 40.0, true), (120.0, 60.0, true), (120.0, 80.0, true)];
        assert_eq!(held[..2], [(60.0, 14.0, false), (420.0, 33.0, true)], "warming up");
        assert_eq!(held[2], (310.0, 14.0, false), "five minutes at idle");
        assert_eq!(held[3..6], bands);
        assert!(legs.iter().all(|leg| leg.hose_lpm.is_none()), "afloat");
    }

    #[test]
    fn a_plan_is_in_gear_above_idle() {
        let legs = steps(&[(60.0, 750.0), (30.0, 3_000.0), (10.0, 0.0)], 750.0);
        let seen: Vec<_> = legs.iter().map(|leg| (leg.until_s, leg.in_gear)).collect();
        assert_eq!(seen, [(60.0, false), (90.0, true), (100.0, false)]);
    }
}
