//! Scores the monitor on simulated engines whose faults are known, beside a baseline. The rules stand in `docs/trial.md`.
//!
//! `observe` makes one run, `matching` judges it, `tally` adds up; `json`, `text` and `page` say what came of it.

mod baseline;
mod case;
mod episode;
mod fault;
pub mod json;
pub mod line;
mod matching;
mod observe;
pub mod page;
mod relations;
mod statistics;
mod sweep;
mod tally;
pub mod text;

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use case::{Case, Worst};
use matching::{Judgement, judge, running_ms};
use observe::{Speeds, observe};
use sweep::Sweep;
use tally::{Scored, Tally};

pub use observe::events_of;

use crate::problem::Problem;
use crate::simulate::{Scenario, Variation};

/// What is to be scored.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Scenarios with the names of their files.
    scenarios: Vec<(String, Scenario)>,
    /// The file of the variation over them.
    vary: Option<String>,
    runs: u32,
    threads: usize,
}

impl Plan {
    /// Reads the scenarios `files`, each with `variation` over it and to be run `runs` times. The result does not depend on the number of threads.
    ///
    /// # Errors
    /// A scenario cannot be used: exit code 2.
    pub fn read(files: &[PathBuf], variation: Option<&Variation>, runs: u32, threads: usize) -> Result<Self, Problem> {
        let read = |file: &PathBuf| Ok((file.to_string_lossy().into_owned(), Scenario::read_varied(file, variation)?));
        let vary = variation.map(|variation| variation.path().to_string_lossy().into_owned());
        Ok(Self { scenarios: files.iter().map(read).collect::<Result<_, _>>()?, vary, runs, threads })
    }
}

/// What came of it.
#[derive(Debug)]
pub struct Report {
    runs: u32,
    scenarios: Vec<ScenarioReport>,
    sweep: Sweep,
    worst: Worst,
}

/// What came of one scenario.
#[derive(Debug)]
struct ScenarioReport {
    file: String,
    ours: Tally,
    baseline: Tally,
}

impl Report {
    fn total(&self, tally: impl Fn(&ScenarioReport) -> &Tally) -> Tally {
        let mut total = Tally::default();
        for scenario in &self.scenarios {
            total.merge(tally(scenario));
        }
        total
    }
}

/// What was made of one run.
struct RunScore {
    ours: Judgement,
    baseline: Judgement,
    sweep: Sweep,
    running_ms: i64,
    healthy_ms: i64,
    events_lost: u32,
    speeds: Speeds,
}

/// Simulates and judges all runs. `progress` is told how many of how many are done, from any thread.
#[must_use]
pub fn run(plan: &Plan, progress: &(dyn Fn(usize, usize) + Sync)) -> Report {
    let runs_of = |scenario| (0..plan.runs).map(move |run| (scenario, run));
    let jobs: Vec<(usize, u32)> = (0..plan.scenarios.len()).flat_map(runs_of).collect();
    let scored = in_parallel(jobs.len(), plan.threads, progress, |job| {
        let (scenario, run) = *jobs.get(job)?;
        let (_, scenario) = plan.scenarios.get(scenario)?;
        Some(score(scenario, run_seed(scenario.seed, run)))
    });
    report(plan, &jobs, scored)
}

/// The seed of a run: the seed of the scenario and the number of the run, mixed so that neighbours have nothing in
/// common. 48 bits, so that it can be typed, and read by any JSON reader.
///
/// The mixing function is the finaliser of `SplitMix64` (Steele, Lea, Flood, "Fast splittable pseudorandom number
/// generators", OOPSLA 2014).
#[must_use]
pub fn run_seed(scenario_seed: u64, run: u32) -> u64 {
    let mut mixed = scenario_seed.wrapping_add((u64::from(run) + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (mixed ^ (mixed >> 31)) & 0xffff_ffff_ffff
}

fn score(scenario: &Scenario, seed: u64) -> RunScore {
    let run = observe(scenario, seed);
    let (running_ms, healthy_ms) = running_ms(&run.history);
    RunScore {
        ours: judge(&run.history, &run.ours),
        baseline: judge(&run.history, &run.baseline),
        sweep: Sweep::of(&run.history, &run.ours, healthy_ms),
        running_ms,
        healthy_ms,
        events_lost: run.events_lost,
        speeds: run.speeds,
    }
}

/// Does `jobs` jobs on `threads` threads and returns what came of them, in the order of the jobs.
fn in_parallel<T: Send>(
    jobs: usize,
    threads: usize,
    progress: &(dyn Fn(usize, usize) + Sync),
    work: impl Fn(usize) -> Option<T> + Sync,
) -> Vec<T> {
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let worker = || {
        let mut results = Vec::new();
        loop {
            let job = next.fetch_add(1, Ordering::Relaxed);
            if job >= jobs {
                return results;
            }
            results.extend(work(job).map(|result| (job, result)));
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, jobs);
        }
    };
    let mut results: Vec<(usize, T)> = thread::scope(|scope| {
        let threads: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(worker)).collect();
        threads
            .into_iter()
            .flat_map(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    results.sort_by_key(|(job, _)| *job);
    results.into_iter().map(|(_, result)| result).collect()
}

fn report(plan: &Plan, jobs: &[(usize, u32)], scored: Vec<RunScore>) -> Report {
    let mut report =
        Report { runs: plan.runs, scenarios: Vec::new(), sweep: Sweep::default(), worst: Worst::default() };
    for (file, _) in &plan.scenarios {
        let file = file.clone();
        report.scenarios.push(ScenarioReport { file, ours: Tally::default(), baseline: Tally::default() });
    }
    for ((index, run), scored) in jobs.iter().zip(scored) {
        let (Some((_, scenario)), Some(into)) = (plan.scenarios.get(*index), report.scenarios.get_mut(*index)) else {
            continue;
        };
        let (seed, is_commissioned) = (run_seed(scenario.seed, *run), scenario.is_commissioned());
        let case = Case { file: into.file.clone(), vary: plan.vary.clone(), seed, is_commissioned };
        report.worst.add(&case, &scored.ours);
        report.sweep.merge(&scored.sweep);
        into.ours.add(&scored.ours, Scored::Monitor, scored.speeds);
        into.ours.events_lost += u64::from(scored.events_lost);
        into.baseline.add(&scored.baseline, Scored::Baseline, scored.speeds);
        for tally in [&mut into.ours, &mut into.baseline] {
            tally.running_ms += scored.running_ms;
            tally.healthy_ms += scored.healthy_ms;
        }
    }
    report
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn results_come_in_the_order_of_the_jobs_whatever_the_threads() {
        for threads in [0, 1, 3] {
            let told = AtomicUsize::new(0);
            let progress = |done: usize, of: usize| {
                assert!(done >= 1 && done <= of);
                told.fetch_add(1, Ordering::Relaxed);
            };
            let work = |job: usize| {
                // The first jobs are the slowest, so that the last are done first where there are several threads.
                thread::sleep(std::time::Duration::from_millis(10_u64.saturating_sub(job as u64)));
                (job != 7).then_some(job)
            };
            let results = in_parallel(20, threads, &progress, work);
            let expected: Vec<usize> = (0..20).filter(|job| *job != 7).collect();
            assert_eq!(results, expected, "{threads} threads");
            assert_eq!(told.load(Ordering::Relaxed), 20);
        }
    }

    #[test]
    fn seeds_are_all_different_and_can_be_typed() {
        let mut seeds = BTreeSet::new();
        for scenario_seed in [0, 1, 2, u64::MAX] {
            for run in 0..1_000 {
                let seed = run_seed(scenario_seed, run);
                assert!(seed < 1 << 48);
                assert!(seeds.insert(seed), "{scenario_seed} {run}");
            }
        }
    }
}
