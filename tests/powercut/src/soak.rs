//! One flash through a long life of random operations and random cuts.

use crate::drive::{CALLS_A_LIFE, Driver, Plan, PowerOn, Subject};
use crate::flash::SimFlash;
use crate::random::Random;
use crate::report::Report;

/// How long and how hard the life is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Life {
    /// Times the power comes and goes.
    pub power_ups: u64,
    /// Operations between two power-ups at most.
    pub most_operations: u64,
    /// The cut comes at a random unit up to this one; where the store does less, the power goes between two units.
    pub most_units: u64,
    /// Where all random numbers come from.
    pub seed: u64,
}

/// Leads one flash through `life`. What a cut leaves behind is never cleaned up by anyone but the store. After a broken
/// promise the life goes on with the flash of the beginning.
///
/// All cuts count as first ones.
#[must_use]
pub fn soak<S, const WORD: usize, const PAGE: usize>(
    subject: &S,
    start: &SimFlash<WORD, PAGE>,
    state: &S::State,
    life: Life,
    mut draw_op: impl FnMut(&mut Random) -> S::Op,
) -> Report
where
    S: Subject<WORD, PAGE>,
{
    let plan = Plan { seed: life.seed, ..Plan::default() };
    let mut random = Random::new(!life.seed);
    let mut driver = Driver::new(subject, &plan);
    let mut fresh = start.clone();
    fresh.limit_calls(CALLS_A_LIFE);
    let (mut image, mut allowed) = (fresh.clone(), vec![state.clone()]);
    for power_up in 0..life.power_ups {
        driver.where_it_is = format!("power-up {power_up}");
        let ops: Vec<S::Op> = (0..=random.below(life.most_operations)).map(|_| draw_op(&mut random)).collect();
        let Some(style) = driver.draw_style() else { break };
        let unit = 1 + random.below(life.most_units);
        // The history of the flash is longer than a note could hold; the last two cuts stand for it.
        if driver.path.len() > 1 {
            driver.path.remove(0);
        }
        let armed = driver.arm(&image, unit, style);
        match driver.live(armed, &allowed, &ops, true) {
            PowerOn::Whole { image: after, state } => (image, allowed) = (*after, vec![state]),
            PowerOn::Cut { image: after, allowed: left, .. } => {
                driver.report.cuts[0] += 1;
                (image, allowed) = (*after, left);
            }
            PowerOn::Broken => (image, allowed) = (fresh.clone(), vec![state.clone()]),
        }
    }
    driver.report
}
