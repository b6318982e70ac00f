//! Steps, their outcome and the list at the end.

use std::process::ExitCode;
use std::time::{Duration, Instant};

/// How a step ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// It found nothing wrong; the text says what it measured, and may be empty.
    Passed(String),
    /// It found something wrong.
    Failed(String),
    /// It could not be run here.
    LeftOut(String),
}

impl Outcome {
    /// Passed, with nothing to tell.
    pub(crate) fn passed() -> Self {
        Self::Passed(String::new())
    }
}

/// A check that ends early ends as failed or left out.
impl From<Result<Self, Self>> for Outcome {
    fn from(result: Result<Self, Self>) -> Self {
        result.unwrap_or_else(|outcome| outcome)
    }
}

/// Runs steps and remembers how they ended.
#[derive(Debug)]
pub(crate) struct Plan {
    only: Option<String>,
    strict: bool,
    done: Vec<(String, Outcome, Duration)>,
}

impl Plan {
    /// A plan that runs the steps whose name holds `only`; `strict` counts what is left out as a failure.
    pub(crate) const fn new(only: Option<String>, strict: bool) -> Self {
        Self { only, strict, done: Vec::new() }
    }

    /// Whether a step of that name is to be run.
    fn wants(&self, name: &str) -> bool {
        self.only.as_deref().is_none_or(|word| name.contains(word))
    }

    /// Runs one step, unless it is not wanted.
    pub(crate) fn step(&mut self, name: &str, check: impl FnOnce() -> Outcome) {
        if self.wants(name) {
            self.run(name, check);
        }
    }

    fn run(&mut self, name: &str, check: impl FnOnce() -> Outcome) {
        println!("\n=== {name}");
        let start = Instant::now();
        let outcome = check();
        let took = start.elapsed();
        println!("{}", line(name, &outcome, took));
        self.done.push((name.to_owned(), outcome, took));
    }

    /// Runs a step that others build upon, also if only one of the others is wanted.
    pub(crate) fn prepare(&mut self, name: &str, needed_by: &[&str], check: impl FnOnce() -> Outcome) {
        if self.wants(name) || needed_by.iter().any(|other| self.wants(other)) {
            self.run(name, check);
        }
    }

    /// Prints the list and says whether all is well.
    pub(crate) fn conclude(self) -> ExitCode {
        println!("\n=== steps");
        for (name, outcome, took) in &self.done {
            println!("{}", line(name, outcome, *took));
        }
        let total: Duration = self.done.iter().map(|(_, _, took)| *took).sum();
        println!("\n{}; {:.0} s", self.verdict(), total.as_secs_f64());
        for (name, outcome, _) in &self.done {
            match outcome {
                Outcome::Failed(why) => println!("failed: {name}: {}", first_line(why)),
                Outcome::LeftOut(why) => println!("left out: {name}: {why}"),
                Outcome::Passed(_) => {}
            }
        }
        if self.is_well() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
    }

    fn count(&self, wanted: fn(&Outcome) -> bool) -> usize {
        self.done.iter().filter(|(_, outcome, _)| wanted(outcome)).count()
    }

    fn failed(&self) -> usize {
        self.count(|outcome| matches!(outcome, Outcome::Failed(_)))
    }

    fn left_out(&self) -> usize {
        self.count(|outcome| matches!(outcome, Outcome::LeftOut(_)))
    }

    fn is_well(&self) -> bool {
        self.failed() == 0 && !(self.strict && self.left_out() > 0) && !self.done.is_empty()
    }

    fn verdict(&self) -> String {
        let passed = self.done.len() - self.failed() - self.left_out();
        format!("steps: {passed} passed, {} failed, {} left out", self.failed(), self.left_out())
    }
}

fn line(name: &str, outcome: &Outcome, took: Duration) -> String {
    let (word, text) = match outcome {
        Outcome::Passed(text) => ("passed", text.as_str()),
        Outcome::Failed(text) => ("FAILED", text.as_str()),
        Outcome::LeftOut(text) => ("left out", text.as_str()),
    };
    let separator = if text.is_empty() { "" } else { ": " };
    format!("{word:<8} {:>6.1} s  {name}{separator}{text}", took.as_secs_f64())
}

/// The first line says what is wrong; what follows it was shown when it happened.
fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_verdict_counts_what_was_left_out_only_when_strict() {
        let left_out = || Outcome::LeftOut("no tool".to_owned());
        let failed = || Outcome::Failed("broken".to_owned());
        let cases = [
            ("all passed", vec![Outcome::passed()], false, true),
            ("all passed, strict", vec![Outcome::passed()], true, true),
            ("one failed", vec![Outcome::passed(), failed()], false, false),
            ("one left out", vec![Outcome::passed(), left_out()], false, true),
            ("one left out, strict", vec![Outcome::passed(), left_out()], true, false),
            ("nothing was run", vec![], false, false),
        ];
        for (name, outcomes, strict, well) in cases {
            let mut plan = Plan::new(None, strict);
            for outcome in outcomes {
                plan.step("a step", || outcome);
            }
            assert_eq!(plan.is_well(), well, "{name}");
        }
    }

    #[test]
    fn a_step_that_a_wanted_one_builds_upon_is_run() {
        let mut plan = Plan::new(Some("size".to_owned()), true);
        plan.prepare("images", &["image size"], Outcome::passed);
        plan.prepare("programs", &["docs"], || Outcome::Failed("it was run".to_owned()));
        assert_eq!(plan.verdict(), "steps: 1 passed, 0 failed, 0 left out");
    }

    #[test]
    fn only_the_wanted_steps_are_run() {
        let mut plan = Plan::new(Some("doc".to_owned()), false);
        plan.step("docs", Outcome::passed);
        plan.step("clippy", || Outcome::Failed("it was run".to_owned()));
        assert_eq!(plan.verdict(), "steps: 1 passed, 0 failed, 0 left out");
    }
}
