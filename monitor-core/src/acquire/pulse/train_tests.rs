//! Trains of pulses: what is believed, what is set aside, what is held back.

use super::super::signal::Dice;
use super::*;
use proptest::prelude::*;

extern crate std;
use std::vec::Vec;

const LIMITS: TrainLimits = TrainLimits {
    shortest_us: 1_000,
    time_out_us: 500_000,
    agreeing: 4,
    slip: IN_A_ROW,
    settling: 2,
    tolerance: Tolerance { more: 3, less: 2 },
};

/// A train fed with periods in microseconds.
struct Feed {
    train: PulseTrain,
    now: Micros,
}

impl Feed {
    fn starting_at(counter: u32) -> Self {
        let now = Micros::from_counter(counter);
        let mut train = PulseTrain::new(LIMITS);
        train.pulse(now);
        Self { train, now }
    }

    /// A train that is believed at this period.
    fn steady(period_us: u32) -> Self {
        let mut feed = Self::starting_at(0);
        feed.periods(&[period_us; 20]);
        feed.train.take();
        feed
    }

    fn periods(&mut self, periods_us: &[u32]) -> &mut Self {
        for &period_us in periods_us {
            self.now = self.now.wrapping_add_micros(period_us);
            self.train.pulse(self.now);
        }
        self
    }

    /// Mean believed period since the last call.
    fn mean_us(&mut self) -> Option<u32> {
        let periods = self.train.take();
        periods.span_us.checked_div(periods.count)
    }

    fn is_steady(&mut self) -> bool {
        matches!(self.train.observe(self.now), Observation::Steady { .. })
    }
}

#[test]
fn several_agreeing_periods_are_needed() {
    let cases: [(&str, &[u32], bool); 6] = [
        ("settling and three", &[10_000; 5], false),
        ("settling and four", &[10_000; 6], true),
        ("one that does not agree starts over", &[9_000, 9_000, 10_000, 10_000, 10_000, 16_000, 10_000], false),
        ("within half as much again", &[9_000, 9_000, 10_000, 12_000, 9_000, 11_000], true),
        ("irregular", &[10_000, 20_000, 10_000, 20_000, 10_000, 20_000, 10_000, 20_000, 10_000], false),
        ("impossibly close", &[900; 40], false),
    ];
    for (name, periods, believed) in cases {
        assert_eq!(Feed::starting_at(0).periods(periods).is_steady(), believed, "{name}");
    }
}

#[test]
fn a_train_too_fast_to_be_true_is_not_believed_at_half_or_a_third_of_its_rate() {
    for period_us in [300, 500, 600, 999] {
        let mut feed = Feed::starting_at(0);
        feed.periods(&[period_us; 1_000]);
        assert!(!feed.is_steady(), "{period_us} µs");
        assert!(feed.train.statistics().too_close >= 500);
    }
}

#[test]
fn single_disturbances_do_not_move_the_rate() {
    let cases: [(&str, &[u32]); 6] = [
        ("an extra pulse in the middle", &[5_000, 5_000]),
        ("an extra pulse early", &[2_000, 8_000]),
        ("two extra pulses", &[3_000, 4_000, 3_000]),
        ("a lost pulse", &[20_000]),
        ("three lost pulses", &[40_000]),
        ("an extra pulse impossibly close", &[9_500, 500]),
    ];
    for (name, disturbance) in cases {
        let mut feed = Feed::steady(10_000);
        for _ in 0..20 {
            feed.periods(&[10_000; 4]).periods(disturbance);
            assert!(feed.is_steady(), "{name}");
            let mean = feed.mean_us().expect("believed periods");
            assert!(mean.abs_diff(10_000) <= 100, "{name}: {mean}");
        }
        assert_eq!(feed.train.suspect_ratio(), None, "{name}");
    }
}

#[test]
fn a_real_step_is_believed_after_several_periods() {
    for (name, period_us) in [("a third more", 6_400), ("three times", 3_333), ("a third", 30_000)] {
        let mut feed = Feed::steady(10_000);
        feed.periods(&[period_us; 8]);
        assert_eq!(feed.mean_us(), Some(period_us), "{name}");
        assert_eq!(feed.train.suspect_ratio(), None, "{name}");
    }
}

#[test]
fn doubling_and_halving_are_held_back_and_passed_on_only_if_they_last() {
    let cases = [
        ("doubled", 5_000, SuspectRatio::Doubled),
        ("a little less than doubled", 5_200, SuspectRatio::Doubled),
        ("halved", 20_000, SuspectRatio::Halved),
        ("a little less than halved", 19_300, SuspectRatio::Halved),
    ];
    for (name, period_us, ratio) in cases {
        let within = |duration_us: u32| vec_of(period_us, duration_us / period_us);
        let mut brief = Feed::steady(10_000);
        brief.periods(&within(500_000));
        assert!(brief.is_steady(), "{name}");
        assert_eq!(brief.train.suspect_ratio(), Some(ratio), "{name}: told while it is held back");
        assert_ne!(brief.mean_us(), Some(period_us), "{name}: not passed on");
        brief.periods(&[10_000; 10]);
        assert_eq!((brief.mean_us(), brief.train.suspect_ratio()), (Some(10_000), None), "{name}: gone again");

        let mut lasting = Feed::steady(10_000);
        lasting.periods(&within(1_200_000));
        assert_eq!(lasting.mean_us(), Some(period_us), "{name}: passed on");
        assert_eq!(lasting.train.suspect_ratio(), Some(ratio), "{name}: and still told");
        lasting.periods(&[10_000; 8]);
        assert_eq!(lasting.mean_us(), Some(10_000), "{name}: back at once");
        assert_eq!(lasting.train.suspect_ratio(), None, "{name}: and no longer told");
        let statistics = lasting.train.statistics();
        let counted = if ratio == SuspectRatio::Doubled { statistics.doubled } else { statistics.halved };
        assert_eq!(counted, 1, "{name}");
    }
}

fn vec_of(period_us: u32, count: u32) -> Vec<u32> {
    std::iter::repeat_n(period_us, count as usize).collect()
}

#[test]
fn irregular_pulses_end_a_belief() {
    let mut feed = Feed::steady(10_000);
    let mut dice = Dice(1);
    for _ in 0..60 {
        feed.periods(&[dice.between(1_000, 61_000)]);
    }
    assert!(!feed.is_steady());
    assert_eq!(feed.train.statistics().jitter_permille, 0);
}

#[test]
fn a_new_belief_is_lost_sooner_than_an_old_one() {
    for (name, agreeing, kept) in [("new", 6, false), ("old", 12, true)] {
        let mut feed = Feed::starting_at(0);
        feed.periods(&vec_of(10_000, agreeing)).periods(&[23_000, 41_000]);
        assert_eq!(feed.is_steady(), kept, "{name}");
    }
}

#[test]
fn noise_far_faster_than_the_engine_does_not_drag_the_rate_up() {
    let mut dice = Dice(3);
    for _ in 0..200 {
        let mut feed = Feed::steady(20_000);
        for _ in 0..40 {
            // Two periods of the engine, then one that irregular noise cuts into many.
            feed.periods(&[20_000; 2]);
            let mut cut_us = 0;
            while cut_us < 17_000 {
                let part_us = dice.between(1_000, 4_500);
                feed.periods(&[part_us]);
                cut_us += part_us;
            }
            if let Some(mean) = feed.mean_us() {
                assert!(mean >= 19_000 || mean <= 5_000, "neither the engine nor the noise: {mean}");
            }
        }
    }
}

#[test]
fn a_pulse_after_the_time_out_starts_over_even_where_nobody_asked_meanwhile() {
    let mut feed = Feed::steady(10_000);
    feed.periods(&[500_001, 10_000]);
    assert!(!feed.is_steady());
    let mut feed = Feed::steady(10_000);
    feed.periods(&[500_000, 10_000]);
    assert!(feed.is_steady(), "just within the time-out");
}

#[test]
fn jitter_is_measured() {
    // (deviation of every second period in thousandths, least and most expected)
    for (permille, least, most) in [(0, 0, 0), (50, 20, 60), (150, 60, 180)] {
        let mut feed = Feed::steady(10_000);
        for _ in 0..100 {
            feed.periods(&[10_000 + 10 * permille, 10_000 - 10 * permille]);
        }
        let jitter = feed.train.statistics().jitter_permille;
        assert!((least..=most).contains(&u32::from(jitter)), "{permille}: {jitter}");
    }
}

#[test]
fn clean_pulses_are_all_accounted_for() {
    let mut feed = Feed::starting_at(7);
    feed.periods(&[10_000; 500]);
    let statistics = feed.train.statistics();
    assert_eq!((statistics.pulses, statistics.believed), (501, 498));
    assert_eq!(statistics.set_aside(), 3, "the first pulse and two settling periods");
}

proptest! {
    #[test]
    fn constant_in_constant_out_at_every_fill_level(
        start in any::<u32>(),
        period_us in 1_000_u32..400_000,
        takes in prop::collection::vec(1_usize..60, 1..20),
    ) {
        let mut feed = Feed::starting_at(start);
        feed.periods(&[period_us; 6]);
        prop_assert_eq!(feed.mean_us(), Some(period_us));
        for count in takes {
            feed.periods(&vec_of(period_us, count as u32));
            prop_assert_eq!(feed.train.take(), Periods { count: count as u32, span_us: period_us * count as u32 });
        }
        prop_assert_eq!(feed.train.suspect_ratio(), None);
    }

    #[test]
    fn never_faster_than_the_bound_and_every_pulse_counted(
        start in any::<u32>(),
        periods in prop::collection::vec(prop_oneof![1_u32..3_000, 1_u32..20_000, 1_u32..700_000], 1..400),
        take_every in 1_usize..20,
    ) {
        let mut feed = Feed::starting_at(start);
        for (index, &period_us) in periods.iter().enumerate() {
            feed.periods(&[period_us]);
            if index % take_every == 0 {
                let taken = feed.train.take();
                prop_assert!(taken.span_us >= taken.count * LIMITS.shortest_us);
            }
        }
        let statistics = feed.train.statistics();
        prop_assert_eq!(statistics.pulses as usize, periods.len() + 1);
        prop_assert!(statistics.believed + statistics.too_close < statistics.pulses, "the first pulse has no period");
    }

    #[test]
    fn what_happened_does_not_depend_on_where_the_counter_stood(
        first in any::<u32>(),
        second in any::<u32>(),
        periods in prop::collection::vec(prop_oneof![900_u32..1_100, 4_500_u32..11_000, 1_u32..700_000], 1..200),
    ) {
        let (mut one, mut other) = (Feed::starting_at(first), Feed::starting_at(second));
        for &period_us in &periods {
            one.periods(&[period_us]);
            other.periods(&[period_us]);
            prop_assert_eq!(one.train.observe(one.now), other.train.observe(other.now));
            prop_assert_eq!(one.train.gathered(), other.train.gathered());
        }
        prop_assert_eq!(one.train.statistics(), other.train.statistics());
    }
}
