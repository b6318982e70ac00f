//! The driver: runs a store, cuts it everywhere, looks at what is left.

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::flash::{SimError, SimFlash};
use crate::random::Random;
use crate::report::{Breach, Report};
use crate::shared::SharedFlash;
use crate::tear::Tear;

/// A store under test. `Store` is what lives in RAM: it is dropped at every cut.
pub trait Subject<const WORD: usize, const PAGE: usize> {
    /// The opened store, with its handle to the flash.
    type Store;
    /// Something asked of the store.
    type Op: Clone + core::fmt::Debug;
    /// All that can be read back.
    type State: Clone + PartialEq + core::fmt::Debug;
    /// Why the store refused.
    type Error: core::fmt::Debug;

    /// Opens the store on whatever the flash holds, and does all it does at boot.
    ///
    /// # Errors
    ///
    /// Any error while the flash has power counts against the store.
    fn open(&self, flash: SharedFlash<WORD, PAGE>) -> Result<Self::Store, Self::Error>;

    /// Does one operation. `Ok` is the acknowledgement: from here on the operation must not be lost.
    ///
    /// # Errors
    ///
    /// Any error while the flash has power counts against the store.
    fn apply(&self, store: &mut Self::Store, op: &Self::Op) -> Result<(), Self::Error>;

    /// Reads all that can be read back.
    ///
    /// # Errors
    ///
    /// Any error while the flash has power counts against the store.
    fn read_back(&self, store: &mut Self::Store) -> Result<Self::State, Self::Error>;

    /// What is to be read back after `op`, when it was `before`.
    fn expected(&self, before: &Self::State, op: &Self::Op) -> Self::State;
}

/// What is done before and between the cuts.
#[derive(Clone, Debug)]
pub struct Scenario<Op, State, const WORD: usize, const PAGE: usize> {
    /// The flash at the beginning.
    pub start: SimFlash<WORD, PAGE>,
    /// What the store reads back from it.
    pub state: State,
    /// What is asked of the store, in this order.
    pub ops: Vec<Op>,
    /// The store is opened anew after so many operations; 0 counts as 1.
    pub reboot_every: usize,
}

/// How hard the power is cut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// The styles; each cut is made in each of them.
    pub tears: Vec<Tear>,
    /// Whether torn words read differently from read to read; each cut is made with each of these.
    pub unstable: Vec<bool>,
    /// How many different drawings of each torn operation.
    pub drawings: u64,
    /// Whether every unit of the recovery and of the operation after it is cut too.
    pub second_cut: bool,
    /// Cuts at random units of the recovery after a second cut, for each of those.
    pub third_cuts: u64,
    /// Where all random numbers come from.
    pub seed: u64,
}

impl Default for Plan {
    /// All styles, stable and unstable, one drawing each, second cuts everywhere, one third cut after each of them.
    fn default() -> Self {
        let (tears, unstable) = (Tear::ALL.to_vec(), vec![false, true]);
        Self { tears, unstable, drawings: 1, second_cut: true, third_cuts: 1, seed: 1 }
    }
}

/// Runs the scenario uncut, then cuts it at every word write and page erase as the plan says, and checks every promise
/// after each cut.
#[must_use]
pub fn exhaust<S, const WORD: usize, const PAGE: usize>(
    subject: &S,
    scenario: &Scenario<S::Op, S::State, WORD, PAGE>,
    plan: &Plan,
) -> Report
where
    S: Subject<WORD, PAGE>,
{
    let mut driver = Driver::new(subject, plan);
    let (mut image, mut state) = (scenario.start.clone(), scenario.state.clone());
    image.limit_calls(CALLS_A_LIFE);
    let stretch = scenario.reboot_every.max(1);
    let mut done = 0;
    for ops in scenario.ops.chunks(stretch) {
        image.power_up();
        driver.where_it_is = format!("operations from {done}");
        let units_before = image.counts().units;
        driver.measuring = true;
        let life = driver.live(image.clone(), core::slice::from_ref(&state), ops, true);
        driver.measuring = false;
        let PowerOn::Whole { image: after, state: end } = life else { break };
        let units = after.counts().units - units_before;
        done += ops.len();
        let follower = scenario.ops.get(done).or_else(|| scenario.ops.first());
        driver.cut_everywhere(&image, &state, ops, follower, units);
        (image, state) = (*after, end);
    }
    driver.report
}

/// More flash calls than any honest store needs between two power-ups of a test.
pub(crate) const CALLS_A_LIFE: u64 = 1_000_000;

/// One power-on life of a store.
pub(crate) enum PowerOn<State, const WORD: usize, const PAGE: usize> {
    /// Everything was done.
    Whole { image: Box<SimFlash<WORD, PAGE>>, state: State },
    /// The power failed; what may be read back, and how many operations were acknowledged.
    Cut { image: Box<SimFlash<WORD, PAGE>>, allowed: Vec<State>, acknowledged: usize },
    /// A promise was broken, and noted.
    Broken,
}

enum Step<T> {
    Done(T),
    PowerGone,
    Failed(Breach, String),
}

/// How a cut was made.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Style {
    pub(crate) tear: Tear,
    pub(crate) unstable: bool,
    pub(crate) seed: u64,
}

pub(crate) struct Driver<'a, S, const WORD: usize, const PAGE: usize> {
    subject: &'a S,
    plan: &'a Plan,
    pub(crate) report: Report,
    /// The cuts that led here, for the notes.
    pub(crate) path: Vec<(u64, Style)>,
    pub(crate) where_it_is: String,
    measuring: bool,
    random: Random,
}

impl<'a, S, const WORD: usize, const PAGE: usize> Driver<'a, S, WORD, PAGE>
where
    S: Subject<WORD, PAGE>,
{
    pub(crate) fn new(subject: &'a S, plan: &'a Plan) -> Self {
        Self {
            subject,
            plan,
            report: Report::default(),
            path: Vec::new(),
            where_it_is: String::new(),
            measuring: false,
            random: Random::new(plan.seed),
        }
    }

    fn note(&mut self, breach: Breach, text: &str) {
        let breach = if self.path.is_empty() { Breach::Uncut } else { breach };
        let (place, path) = (&self.where_it_is, &self.path);
        self.report.note(breach, || {
            let cuts: Vec<String> = path
                .iter()
                .map(|(unit, style)| {
                    let unstable = if style.unstable { ", unstable" } else { "" };
                    format!("cut at unit {unit} ({:?}{unstable}, seed {:#x})", style.tear, style.seed)
                })
                .collect();
            format!("{place}; {}: {text}", cuts.join(", then "))
        });
    }

    /// Opens the store on `image`, reads back, does `ops`, reading back after each if `check`.
    pub(crate) fn live(
        &mut self,
        image: SimFlash<WORD, PAGE>,
        allowed: &[S::State],
        ops: &[S::Op],
        check: bool,
    ) -> PowerOn<S::State, WORD, PAGE> {
        let subject = self.subject;
        let flash = SharedFlash::new(image);
        let cut = |allowed, acknowledged| PowerOn::Cut { image: Box::new(flash.image()), allowed, acknowledged };
        let mut store = match self.open(&flash) {
            Step::Done(store) => store,
            Step::PowerGone => return cut(allowed.to_vec(), 0),
            Step::Failed(breach, text) => return self.broken(breach, &text),
        };
        let mut state = match step(&flash, Breach::Unreadable, || subject.read_back(&mut store)) {
            Step::Done(state) => state,
            Step::PowerGone => return cut(allowed.to_vec(), 0),
            Step::Failed(breach, text) => return self.broken(breach, &text),
        };
        if !allowed.contains(&state) {
            let breach = if self.where_it_is.ends_with(REBOOT) { Breach::Changed } else { Breach::Lost };
            return self.broken(breach, &differs(&state, allowed));
        }
        for (acknowledged, op) in ops.iter().enumerate() {
            let expected = subject.expected(&state, op);
            match self.operate(&flash, &mut store, op) {
                Step::Done(()) => {}
                Step::PowerGone => return cut(vec![state, expected], acknowledged),
                Step::Failed(breach, text) => return self.broken(breach, &format!("{op:?}: {text}")),
            }
            state = expected;
            if !check {
                continue;
            }
            match step(&flash, Breach::NextLost, || subject.read_back(&mut store)) {
                Step::Done(found) if found == state => {}
                Step::Done(found) => {
                    return self.broken(Breach::NextLost, &format!("{op:?}: {}", differs(&found, &[state])));
                }
                Step::PowerGone => return cut(vec![state], acknowledged + 1),
                Step::Failed(breach, text) => return self.broken(breach, &format!("{op:?}: {text}")),
            }
        }
        drop(store);
        PowerOn::Whole { image: Box::new(flash.image()), state }
    }

    /// Opens the store, counting what it costs.
    fn open(&mut self, flash: &SharedFlash<WORD, PAGE>) -> Step<S::Store> {
        let before = flash.with(|flash| flash.counts());
        self.report.openings += 1;
        let opened = step(flash, Breach::Unopenable, || self.subject.open(flash.clone()));
        if self.measuring {
            self.report.spend_opening(&flash.with(|flash| flash.counts()).since(&before));
        }
        opened
    }

    /// Does one operation, counting what it costs.
    fn operate(&mut self, flash: &SharedFlash<WORD, PAGE>, store: &mut S::Store, op: &S::Op) -> Step<()> {
        let before = flash.with(|flash| flash.counts());
        self.report.operations += 1;
        let done = step(flash, Breach::NextRefused, || self.subject.apply(store, op));
        if self.measuring {
            self.report.spend_operation(&flash.with(|flash| flash.counts()).since(&before));
        }
        done
    }

    fn broken(&mut self, breach: Breach, text: &str) -> PowerOn<S::State, WORD, PAGE> {
        self.note(breach, text);
        PowerOn::Broken
    }

    fn styles(&mut self) -> Vec<Style> {
        let plan = self.plan;
        let mut styles = Vec::new();
        for &tear in &plan.tears {
            for &unstable in &plan.unstable {
                for _ in 0..plan.drawings {
                    styles.push(Style { tear, unstable, seed: self.random.bits() });
                }
            }
        }
        styles
    }

    /// Cuts the life that begins with `image` at each of its `units`.
    fn cut_everywhere(
        &mut self,
        image: &SimFlash<WORD, PAGE>,
        state: &S::State,
        ops: &[S::Op],
        follower: Option<&S::Op>,
        units: u64,
    ) {
        for unit in 1..=units {
            for style in self.styles() {
                let armed = self.arm(image, unit, style);
                if let PowerOn::Cut { image, allowed, acknowledged } =
                    self.live(armed, core::slice::from_ref(state), ops, false)
                {
                    self.report.cuts[0] += 1;
                    let next = ops.get(acknowledged + 1).or(follower);
                    self.recover(&image, &allowed, next.map_or(&[][..], core::slice::from_ref), 1);
                }
                self.path.pop();
            }
        }
    }

    /// A copy of the flash, powered, with a cut to come; the cut is noted in the path.
    pub(crate) fn arm(&mut self, image: &SimFlash<WORD, PAGE>, unit: u64, style: Style) -> SimFlash<WORD, PAGE> {
        let mut armed = image.clone();
        armed.power_up();
        armed.set_unstable(style.unstable);
        armed.cut_at(unit, style.tear, style.seed);
        self.path.push((unit, style));
        armed
    }

    /// The power comes back after a cut: the store opens, shows an allowed state, does the next operation, and keeps it
    /// over a further reboot; without a next operation it keeps what it showed. Then the same with a further cut.
    fn recover(&mut self, image: &SimFlash<WORD, PAGE>, allowed: &[S::State], next: &[S::Op], depth: usize) {
        let mut powered = image.clone();
        powered.power_up();
        let units_before = powered.counts().units;
        let PowerOn::Whole { image: after, state } = self.live(powered.clone(), allowed, next, true) else { return };
        let units = after.counts().units - units_before;
        if self.reboot(*after, &state).is_none() {
            return;
        }
        let PowerOn::Whole { image: idle, state } = self.live(powered, allowed, &[], false) else { return };
        let Some(idle) = self.reboot(*idle, &state) else { return };
        if self.reboot(idle, &state).is_none() {
            return;
        }
        if depth == 1 && self.plan.second_cut {
            for unit in 1..=units {
                for style in self.styles() {
                    self.cut_again(image, allowed, next, unit, style, depth);
                }
            }
        } else if depth == 2 && units > 0 {
            for _ in 0..self.plan.third_cuts {
                let unit = 1 + self.random.below(units);
                if let Some(style) = self.draw_style() {
                    self.cut_again(image, allowed, next, unit, style, depth);
                }
            }
        }
    }

    /// Opens the store once more; what had been shown must still be there.
    fn reboot(&mut self, mut image: SimFlash<WORD, PAGE>, shown: &S::State) -> Option<SimFlash<WORD, PAGE>> {
        image.power_up();
        let length = self.where_it_is.len();
        self.where_it_is.push_str(REBOOT);
        let life = self.live(image, core::slice::from_ref(shown), &[], false);
        self.where_it_is.truncate(length);
        if let PowerOn::Whole { image, .. } = life { Some(*image) } else { None }
    }

    pub(crate) fn draw_style(&mut self) -> Option<Style> {
        let plan = self.plan;
        let tear = *pick(&plan.tears, &mut self.random)?;
        let unstable = *pick(&plan.unstable, &mut self.random)?;
        Some(Style { tear, unstable, seed: self.random.bits() })
    }

    fn cut_again(
        &mut self,
        image: &SimFlash<WORD, PAGE>,
        allowed: &[S::State],
        next: &[S::Op],
        unit: u64,
        style: Style,
        depth: usize,
    ) {
        let armed = self.arm(image, unit, style);
        // Words that read differently may let this recovery do less than the one that was counted: then nothing is cut.
        if let PowerOn::Cut { image, allowed, .. } = self.live(armed, allowed, next, false) {
            self.report.cuts[depth] += 1;
            self.recover(&image, &allowed, next, depth + 1);
        }
        self.path.pop();
    }
}

const REBOOT: &str = ", rebooted";

fn pick<'a, T>(from: &'a [T], random: &mut Random) -> Option<&'a T> {
    let at = random.below(u64::try_from(from.len()).ok()?);
    from.get(usize::try_from(at).ok()?)
}

fn differs<State: core::fmt::Debug>(found: &State, allowed: &[State]) -> String {
    let mut text = format!("found {found:?}, allowed {allowed:?}");
    if text.len() > 400 {
        // States are plain data; a cut inside a character cannot be ruled out, so whole characters are taken.
        text = text.chars().take(400).collect();
        text.push('…');
    }
    text
}

/// Runs a part of the store and sorts what comes out.
fn step<T, E: core::fmt::Debug, const WORD: usize, const PAGE: usize>(
    flash: &SharedFlash<WORD, PAGE>,
    on_error: Breach,
    act: impl FnOnce() -> Result<T, E>,
) -> Step<T> {
    let outcome = catch_unwind(AssertUnwindSafe(act));
    let (powered, breach) = flash.with(|flash| (flash.is_powered(), flash.breach()));
    if let Some(error) = breach {
        let breach = if error == SimError::TooManyCalls { Breach::Hung } else { Breach::FlashMisuse };
        return Step::Failed(breach, error.to_string());
    }
    // What the store did after the power went, it did not do: the processor stood still.
    if !powered {
        return Step::PowerGone;
    }
    match outcome {
        Ok(Ok(value)) => Step::Done(value),
        Ok(Err(error)) => Step::Failed(on_error, format!("{error:?}")),
        Err(_) => Step::Failed(Breach::Panicked, "a panic, see above".to_owned()),
    }
}
