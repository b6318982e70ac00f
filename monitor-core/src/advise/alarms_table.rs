//! Every state against every event: the transition table of the alarm states as a test.
//!
//! Source: states and transitions of IEC 62682 / ISA-18.2, latching as in OPC UA Part 9 v1.05, 4.8 (a latched state
//! stays until it is reset even if the value is normal), after unshelving the state follows from the condition. Two
//! conventions are our own: a finding must be open to be put aside, and a latched finding needs acknowledge and reset in
//! either order.

use super::alarms::Alarms;
use crate::command::Command;
use crate::condition::Tick;
use crate::detect::Standing;
use crate::event::AlarmState::{
    Acknowledged, Latched, Normal, OutOfService, ReturnedUnacknowledged, Shelved, SuppressedByDesign, Unacknowledged,
};
use crate::event::{AlarmState, State};
use crate::finding::{Finding, Level};

extern crate std;
use std::vec::Vec;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Input {
    On,
    Off,
    Acknowledge,
    Silence,
    Shelve,
    Unshelve,
    Suppress,
    Unsuppress,
    Remove,
    Restore,
    Reset,
}
use Input::{Acknowledge, Off, On, Remove, Reset, Restore, Shelve, Silence, Suppress, Unshelve, Unsuppress};

const INPUTS: [Input; 11] =
    [On, Off, Acknowledge, Silence, Shelve, Unshelve, Suppress, Unsuppress, Remove, Restore, Reset];

struct Bench {
    alarms: Alarms,
    tick: Tick,
    finding: Finding,
    state: AlarmState,
}

impl Bench {
    fn new(finding: Finding) -> Self {
        let mut tick = Tick::NONE;
        // Beyond the first minute, so that "never cleared" is no episode.
        tick.at_ms = 100_000;
        Self { alarms: Alarms::new(), tick, finding, state: Normal }
    }

    fn input(&mut self, input: Input) -> Option<State> {
        let one = Some(self.finding);
        let command = match input {
            On => return self.condition(Standing::Present(Level::Alarm), 1),
            // The off-delay is ten seconds.
            Off => return self.condition(Standing::Absent, 11),
            Acknowledge => Command::Acknowledge(one),
            Silence => Command::Silence(one),
            Shelve => Command::Shelve { finding: one, minutes: 30 },
            Unshelve => Command::Unshelve(one),
            Suppress => Command::Suppress(one),
            Unsuppress => Command::Unsuppress(one),
            Remove => Command::OutOfService(one),
            Restore => Command::InService(one),
            Reset => Command::Reset(one),
        };
        let happening = (0..Alarms::POSITIONS).find_map(|at| self.alarms.command(at, command, self.tick.at_ms))?;
        self.state = happening.alarm_state;
        Some(happening.state)
    }

    fn condition(&mut self, standing: Standing, ticks: u32) -> Option<State> {
        let mut state = None;
        for _ in 0..ticks {
            self.tick.at_ms += 1_000;
            self.tick.since_last_ms = 1_000;
            if let Some(happening) = self.alarms.apply(&self.tick, self.finding, None, standing) {
                self.state = happening.alarm_state;
                state = Some(happening.state);
            }
        }
        state
    }
}

/// A state: how to get there, and where each input of [`INPUTS`] leads (`None`: no event, no change).
type Row = (&'static str, &'static [Input], AlarmState, [Option<AlarmState>; 11]);

fn check(finding: Finding, rows: &[Row]) {
    for (name, path, state, expected) in rows {
        for (input, expected) in INPUTS.into_iter().zip(expected) {
            let mut bench = Bench::new(finding);
            for step in *path {
                bench.input(*step);
            }
            assert_eq!(bench.state, *state, "{name}: the way there");
            let happened = bench.input(input);
            let found = happened.map(|_| bench.state);
            assert_eq!(found, *expected, "{} in state {name}: {input:?} ({happened:?})", finding.name());
        }
    }
}

#[test]
fn a_finding_that_does_not_latch() {
    const U: Option<AlarmState> = Some(Unacknowledged);
    const A: Option<AlarmState> = Some(Acknowledged);
    const R: Option<AlarmState> = Some(ReturnedUnacknowledged);
    const N: Option<AlarmState> = Some(Normal);
    const S: Option<AlarmState> = Some(Shelved);
    const D: Option<AlarmState> = Some(SuppressedByDesign);
    const O: Option<AlarmState> = Some(OutOfService);
    const NO: Option<AlarmState> = None;
    let rows: [Row; 10] = [
        //                                        on  off ack sil she uns sup unsu rem res rst
        ("normal", &[], Normal, [U, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO]),
        ("unacknowledged", &[On], Unacknowledged, [NO, R, A, U, S, NO, D, NO, O, NO, NO]),
        ("acknowledged", &[On, Acknowledge], Acknowledged, [NO, N, NO, NO, S, NO, D, NO, O, NO, NO]),
        ("returned", &[On, Off], ReturnedUnacknowledged, [U, NO, N, NO, S, NO, D, NO, O, NO, NO]),
        ("normal again", &[On, Off, Acknowledge], Normal, [A, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO]),
        ("shelved", &[On, Shelve], Shelved, [NO, S, S, S, NO, U, NO, NO, NO, NO, NO]),
        ("gone while shelved", &[On, Shelve, Off], Shelved, [S, NO, NO, NO, NO, N, NO, NO, NO, NO, NO]),
        ("suppressed", &[On, Suppress], SuppressedByDesign, [NO, D, D, D, NO, NO, NO, U, NO, NO, NO]),
        ("out of service", &[On, Remove], OutOfService, [NO, O, O, O, NO, NO, NO, NO, NO, U, NO]),
        (
            "removed when acknowledged",
            &[On, Acknowledge, Remove],
            OutOfService,
            [NO, O, NO, NO, NO, NO, NO, NO, NO, A, NO],
        ),
    ];
    check(Finding::StreamLost, &rows);
}

#[test]
fn a_finding_that_latches() {
    const U: Option<AlarmState> = Some(Unacknowledged);
    const A: Option<AlarmState> = Some(Acknowledged);
    const L: Option<AlarmState> = Some(Latched);
    const N: Option<AlarmState> = Some(Normal);
    const D: Option<AlarmState> = Some(SuppressedByDesign);
    const O: Option<AlarmState> = Some(OutOfService);
    const NO: Option<AlarmState> = None;
    let rows: [Row; 7] = [
        //                                        on  off ack sil she uns sup unsu rem res rst
        ("unacknowledged", &[On], Unacknowledged, [NO, L, A, U, NO, NO, D, NO, O, NO, NO]),
        ("acknowledged", &[On, Acknowledge], Acknowledged, [NO, L, NO, NO, NO, NO, D, NO, O, NO, NO]),
        ("latched", &[On, Off], Latched, [U, NO, L, NO, NO, NO, D, NO, O, NO, L]),
        ("latched, acknowledged", &[On, Off, Acknowledge], Latched, [A, NO, NO, NO, NO, NO, D, NO, O, NO, N]),
        ("latched, reset", &[On, Off, Reset], Latched, [U, NO, N, NO, NO, NO, D, NO, O, NO, NO]),
        ("acknowledged, then latched", &[On, Acknowledge, Off], Latched, [A, NO, NO, NO, NO, NO, D, NO, O, NO, N]),
        ("normal again", &[On, Off, Acknowledge, Reset], Normal, [A, NO, NO, NO, NO, NO, NO, NO, NO, NO, NO]),
    ];
    check(Finding::HeadOverLimit, &rows);
}

#[test]
fn a_new_episode_begins_a_minute_after_clearing() {
    let mut bench = Bench::new(Finding::StreamLost);
    bench.input(On);
    bench.input(Off);
    bench.input(Acknowledge);
    bench.tick.at_ms += 60_000;
    assert_eq!(bench.input(On), Some(State::Raised));
    assert_eq!(bench.state, Unacknowledged, "a new episode needs a new acknowledgement");
}

#[test]
fn a_caution_is_born_acknowledged_and_a_worse_level_takes_the_acknowledgement_back() {
    let mut bench = Bench::new(Finding::SensorOpen);
    bench.condition(Standing::Present(Level::Caution), 1);
    assert_eq!(bench.state, Acknowledged);
    assert_eq!(bench.condition(Standing::Present(Level::Warning), 1), Some(State::LevelChanged));
    assert_eq!(bench.state, Unacknowledged);
    assert_eq!(bench.condition(Standing::Present(Level::Caution), 3), None, "a level never falls while it stands");
}

#[test]
fn shelving_ends_after_its_time() {
    let mut bench = Bench::new(Finding::StreamLost);
    bench.input(On);
    bench.input(Shelve);
    let shelved_at = bench.tick.at_ms;
    assert_eq!(bench.alarms.end_shelving(shelved_at + 30 * 60_000 - 1), None);
    let happening = bench.alarms.end_shelving(shelved_at + 30 * 60_000).unwrap();
    assert_eq!((happening.state, happening.alarm_state), (State::Unshelved, Unacknowledged));
}

#[test]
fn missing_evidence_and_the_deadband_keep_a_finding_open() {
    for standing in [Standing::Unjudged, Standing::Between] {
        let mut bench = Bench::new(Finding::StreamLost);
        bench.input(On);
        bench.condition(Standing::Absent, 9);
        assert_eq!(bench.condition(standing, 100), None, "{standing:?}");
        assert_eq!(bench.state, Unacknowledged, "{standing:?}");
    }
    let mut bench = Bench::new(Finding::StreamLost);
    bench.input(On);
    bench.condition(Standing::Absent, 9);
    bench.condition(Standing::Between, 1);
    assert_eq!(bench.condition(Standing::Absent, 10), None, "the deadband starts the off-delay over");
    assert_eq!(bench.condition(Standing::Absent, 1), Some(State::Cleared));
}

#[test]
fn when_all_slots_are_taken_the_worse_finding_gets_in() {
    let mut alarms = Alarms::new();
    let tick = Tick::NONE;
    let cautions: Vec<_> = Finding::ALL.into_iter().take(Alarms::POSITIONS).collect();
    for finding in cautions {
        assert!(alarms.apply(&tick, finding, None, Standing::Present(Level::Caution)).is_some());
    }
    assert!(alarms.apply(&tick, Finding::WeakConnection, None, Standing::Present(Level::Caution)).is_none());
    assert!(alarms.apply(&tick, Finding::StreamLost, None, Standing::Present(Level::Alarm)).is_some());
    assert_eq!(alarms.turned_away(), 2, "one never got in, one made room");
}

#[test]
fn an_unacknowledged_warning_grows_into_an_alarm_where_that_is_wanted() {
    let mut bench = Bench::new(Finding::OverSpeed);
    bench.condition(Standing::Present(Level::Warning), 1);
    let raised_at = bench.tick.at_ms;
    let after_ms = 5 * 60_000;
    assert_eq!(bench.alarms.escalate(raised_at + after_ms - 1, after_ms), None);
    let happening = bench.alarms.escalate(raised_at + after_ms, after_ms).unwrap();
    assert_eq!((happening.state, happening.level), (State::LevelChanged, Level::Alarm));
    let mut acknowledged = Bench::new(Finding::OverSpeed);
    acknowledged.condition(Standing::Present(Level::Warning), 1);
    acknowledged.input(Acknowledge);
    assert_eq!(acknowledged.alarms.escalate(raised_at + after_ms, after_ms), None);
}
