//! The façade: readings in, events out.
//!
//! Time, sensors, flash and outputs are handed in; nothing here reads a clock or a pin.

mod care;
mod causes;
mod keeping;

use crate::acquire::{Channel, ChannelSet, Readings};
use crate::advise::{Alarms, Annunciator, Button, EventQueue, Happening, Place, Signals, admissible};
use crate::assess::{Expected, LearnedStretch, Normal};
use crate::command::{Command, Refusal};
use crate::condition::{Run, RunState, RunTracker, SteadyWatch, Tick, TickBuilder, Timeline};
use crate::detect::{
    CareWatch, Causes, ChargeLost, DryStart, HeadClimbing, HeadOverLimit, HotRestart, OilPressureLow, OverSpeed, Scene,
    SensorOpen, SensorShort, SensorStuck, Standing, StreamLost, StreamWatch, evidence,
};
use crate::event::{Event, Evidence, State};
use crate::finding::{Finding, Kind};
use crate::forecast::HeadTrend;
use crate::ledger::{Abuse, Hours, Keeper};
use crate::profile::{Profile, ProfileError};
use crate::time::Instant;
use crate::units::Rpm;

/// The monitor.
///
/// Built in place (`const` constructor, then [`Monitor::begin`]) and never moved by value: on a board it lives in a
/// `static`.
///
/// ```
/// use monitor_core::acquire::{Reading, Readings};
/// use monitor_core::profile::Profile;
/// use monitor_core::time::Instant;
/// use monitor_core::units::Rpm;
/// use monitor_core::Monitor;
///
/// let profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
/// let mut monitor = Monitor::new();
/// monitor.begin(&profile)?;
/// monitor.begin_trip(Instant::from_millis(0), 0);
/// for second in 0..10 {
///     let readings = Readings { rpm: Reading::good(Rpm::from_whole_rpm(6_400)), ..Readings::default() };
///     monitor.step(Instant::from_millis(second * 1_000), &readings);
/// }
/// monitor.end_trip();
/// let event = monitor.next_event().map(|event| event.finding.name());
/// assert_eq!(event, Some("over-speed"));
/// assert_eq!(monitor.hours().running_s(), 9);
/// # Ok::<(), monitor_core::profile::ProfileError>(())
/// ```
#[derive(Debug)]
pub struct Monitor {
    trip: i16,
    /// What the detectors see: the last tick, the engine, and what is normal for it.
    scene: Scene,
    // condition
    timeline: Timeline,
    last_stamp: Instant,
    builder: TickBuilder,
    tracker: RunTracker,
    steady: SteadyWatch,
    // detect
    stream: StreamWatch,
    hot_restart: HotRestart,
    /// Whether something speaks against the lead of a sensor.
    leads_suspect: bool,
    detectors: Detectors,
    care: CareWatch,
    causes: Causes,
    // forecast
    trend: HeadTrend,
    // advise
    alarms: Alarms,
    queue: EventQueue,
    annunciator: Annunciator,
    button: Button,
    escalate_after_ms: Option<u32>,
    // ledger
    hours: Hours,
    abuse: [AbuseClock; 3],
    keeper: Keeper,
}

#[derive(Debug)]
struct Detectors {
    stream_lost: StreamLost,
    dry_start: DryStart,
    head_climbing: HeadClimbing,
    head_over_limit: HeadOverLimit,
    oil_pressure_low: OilPressureLow,
    over_speed: OverSpeed,
    charge_lost: ChargeLost,
    sensor_open: [SensorOpen; Channel::COUNT],
    sensor_short: [SensorShort; Channel::COUNT],
    sensor_stuck: [SensorStuck; SensorStuck::CHANNELS.len()],
}

impl Detectors {
    const fn new() -> Self {
        Self {
            stream_lost: StreamLost::new(),
            dry_start: DryStart::new(),
            head_climbing: HeadClimbing::new(),
            head_over_limit: HeadOverLimit::new(),
            oil_pressure_low: OilPressureLow::new(),
            over_speed: OverSpeed::new(),
            charge_lost: ChargeLost::new(),
            sensor_open: [const { SensorOpen::new() }; Channel::COUNT],
            sensor_short: [const { SensorShort::new() }; Channel::COUNT],
            sensor_stuck: [const { SensorStuck::new() }; SensorStuck::CHANNELS.len()],
        }
    }
}

/// Credits an excess back to its beginning once it has lasted long enough to stand.
#[derive(Debug, Clone, Copy)]
struct AbuseClock {
    credited_ms: u32,
}

impl AbuseClock {
    fn follow(&mut self, excess_ms: u32) -> u32 {
        let credit = excess_ms.saturating_sub(self.credited_ms);
        self.credited_ms = excess_ms;
        credit
    }
}

impl Monitor {
    /// An idle monitor; [`Monitor::begin`] gives it its engine.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            trip: 0,
            scene: Scene {
                tick: Tick::NONE,
                profile: Profile::new(4, Rpm::from_whole_rpm(0), Rpm::from_whole_rpm(0)),
                normal: Normal::new(),
                expected: Expected::NONE,
                channels: ChannelSet::EMPTY,
            },
            timeline: Timeline::new(),
            last_stamp: Instant::from_millis(0),
            builder: TickBuilder::new(),
            tracker: RunTracker::new(),
            steady: SteadyWatch::new(),
            stream: StreamWatch::new(),
            hot_restart: HotRestart::new(),
            leads_suspect: false,
            detectors: Detectors::new(),
            care: CareWatch::new(),
            causes: Causes::new(),
            trend: HeadTrend::new(),
            alarms: Alarms::new(),
            queue: EventQueue::new(),
            annunciator: Annunciator::new(),
            button: Button::new(),
            escalate_after_ms: None,
            hours: Hours::new(),
            abuse: [AbuseClock { credited_ms: 0 }; 3],
            keeper: Keeper::new(),
        }
    }

    /// Gives the monitor its engine.
    ///
    /// # Errors
    /// A profile that contradicts itself; the monitor stays as it was.
    pub fn begin(&mut self, profile: &Profile) -> Result<(), ProfileError> {
        profile.validate()?;
        self.scene.profile = *profile;
        self.scene.channels = profile.fitted;
        self.tracker.begin(profile);
        self.scene.normal.begin(profile);
        self.hours.begin(profile);
        self.keeper.profile_changed();
        Ok(())
    }

    /// Power-up: the engine stands still and nothing has been measured yet. Open findings, hours and what was learned
    /// go on. Trips are numbered by the caller; the commissioning run is −1.
    pub fn begin_trip(&mut self, now: Instant, trip: i16) {
        self.trip = trip;
        self.scene.channels = self.scene.profile.fitted;
        self.timeline.restart();
        self.builder.restart();
        self.tracker.restart();
        self.steady = SteadyWatch::new();
        self.scene.expected = Expected::NONE;
        self.stream = StreamWatch::new();
        self.hot_restart = HotRestart::new();
        self.leads_suspect = false;
        self.detectors = Detectors::new();
        self.causes = Causes::new();
        self.trend.restart();
        self.abuse = [AbuseClock { credited_ms: 0 }; 3];
        self.last_stamp = now;
        self.keeper.begin_trip(self.timeline.elapsed_ms());
        self.annunciator.power_up(now);
    }

    /// Says which channels this recording has at all. A channel that is fitted but not recorded is no fault of its
    /// sensor; without this call all fitted channels are expected. Holds until the next [`Monitor::begin_trip`].
    pub fn expect_channels(&mut self, recorded: ChannelSet) {
        self.scene.channels = self.scene.profile.fitted.and(recorded);
    }

    /// Turns a warning that nobody took note of for `minutes` into an alarm; `None`, as at first: never.
    pub fn escalate_unacknowledged(&mut self, minutes: Option<u8>) {
        self.escalate_after_ms = minutes.map(|minutes| u32::from(minutes).saturating_mul(60_000));
    }

    /// Takes one set of readings. Returns the stamp of the decision tick that this call closed, if it closed one;
    /// events of that tick can then be drained with [`Monitor::next_event`].
    ///
    /// A tick closes with the first sample of the next whole second since power-up; its events carry the stamp of its
    /// own last sample.
    pub fn step(&mut self, now: Instant, readings: &Readings) -> Option<Instant> {
        let before_ms = self.timeline.elapsed_ms();
        let advance = self.timeline.advance(now);
        let closed = if advance.new_second { self.close_tick(now, before_ms) } else { None };
        self.last_stamp = now;
        let quarters = self.builder.add(readings, self.tracker.running(), advance.passed_ms);
        if let Some(hole_ms) = self.tracker.sample(self.timeline.elapsed_ms(), quarters, &mut self.hours) {
            self.keeper.hole(hole_ms, self.hours.running_seconds());
        }
        closed
    }

    /// Power-down: closes the last decision tick and returns its stamp.
    pub fn end_trip(&mut self) -> Option<Instant> {
        let closed = self.close_tick(self.last_stamp, self.timeline.elapsed_ms());
        self.tracker.end(&mut self.hours);
        self.keeper.end_trip();
        closed
    }

    fn close_tick(&mut self, now: Instant, at_ms: u64) -> Option<Instant> {
        if !self.builder.close(self.last_stamp, at_ms, &mut self.scene.tick) {
            return None;
        }
        self.tracker.watch_hose(&self.scene.tick);
        self.scene.tick.run = self.tracker.run(at_ms, self.scene.tick.good(Channel::Head));
        self.decide();
        self.finish_tick(now);
        Some(self.scene.tick.stamp)
    }

    /// Detect, assess, forecast, advise: once a tick.
    fn decide(&mut self) {
        self.queue.begin_tick();
        self.steady.update(&self.scene.tick);
        self.scene.expected.update(&self.scene.tick, &self.scene.profile, &self.scene.normal);
        self.trend.update(&self.scene.tick);
        if let Some(quarters) = self.stream.update(&self.scene) {
            self.scene.normal.learn_way_to_water(self.scene.tick.run.since_start_ms, quarters);
        }
        let held_back = self.hot_restart.update(&self.scene);
        let standing = self.detectors.stream_lost.judge(&self.scene, &self.stream);
        self.settle(Finding::StreamLost, standing);
        let standing = self.detectors.dry_start.judge(&self.scene, &self.stream);
        self.settle(Finding::DryStart, standing);
        let water_gone = self.stream.gone() && !self.causes.telltale_is_plugged();
        let standing = self.detectors.head_climbing.judge(
            &self.scene,
            &self.trend,
            water_gone,
            held_back,
            !self.a_cause_is_coming(),
        );
        self.settle(Finding::HeadClimbing, standing);
        let standing = self.detectors.head_over_limit.judge(&self.scene, held_back);
        self.settle(Finding::HeadOverLimit, standing);
        let standing = self.detectors.oil_pressure_low.judge(&self.scene);
        self.settle(Finding::OilPressureLow, standing);
        let standing = self.detectors.over_speed.judge(&self.scene);
        self.settle(Finding::OverSpeed, standing);
        let standing = self.detectors.charge_lost.judge(&self.scene);
        self.settle(Finding::ChargeLost, standing);
        self.decide_causes();
        self.decide_sensors();
        if self.care.is_any_pending() {
            self.decide_care();
        }
        self.credit_abuse();
        self.scene.normal.learn(&self.scene.tick);
    }

    /// Hands a standing on where it can change anything.
    fn settle(&mut self, finding: Finding, standing: Standing) {
        if self.alarms.wants(finding, standing) {
            self.advise(finding, None, standing);
        }
    }

    fn decide_sensors(&mut self) {
        // While every channel is good and nothing speaks against a lead there is nothing to judge.
        if self.scene.tick.with_good.and(self.scene.channels) != self.scene.channels
            || self.leads_suspect
            || self.alarms.stands(Finding::SensorOpen)
            || self.alarms.stands(Finding::SensorShort)
        {
            self.decide_leads();
        }
        // A sensor that moved is not stuck: that is all there is to say unless one was stuck before.
        let moved = if self.alarms.stands(Finding::SensorStuck) {
            ChannelSet::EMPTY
        } else {
            self.scene.tick.changed.and(self.scene.channels)
        };
        // What is not good is not judged.
        let still = self.scene.tick.with_good.minus(moved);
        for (sensor, &channel) in self.detectors.sensor_stuck.iter_mut().zip(&SensorStuck::CHANNELS) {
            if moved.contains(channel) {
                sensor.moved();
            }
        }
        if !still.meets(SensorStuck::CHANNEL_SET) {
            return;
        }
        for (index, &channel) in SensorStuck::CHANNELS.iter().enumerate() {
            if !still.contains(channel) {
                continue;
            }
            let Some(sensor) = self.detectors.sensor_stuck.get_mut(index) else { continue };
            let standing = sensor.judge(&self.scene, channel);
            if self.alarms.wants(Finding::SensorStuck, standing) {
                self.advise(Finding::SensorStuck, Some(channel), standing);
            }
        }
    }

    fn decide_leads(&mut self) {
        self.leads_suspect = false;
        let one_stands = self.alarms.stands(Finding::SensorOpen) || self.alarms.stands(Finding::SensorShort);
        for (index, &channel) in Channel::ALL.iter().enumerate() {
            let Some(open) = self.detectors.sensor_open.get_mut(index) else { continue };
            let Some(short) = self.detectors.sensor_short.get_mut(index) else { continue };
            if !one_stands && self.scene.tick.with_good.contains(channel) && open.is_idle() && short.is_idle() {
                continue;
            }
            let standings = [
                (Finding::SensorOpen, open.judge(&self.scene, channel)),
                (Finding::SensorShort, short.judge(&self.scene, channel)),
            ];
            self.leads_suspect |= !open.is_idle() || !short.is_idle();
            for (finding, standing) in standings {
                if self.alarms.wants(finding, standing) {
                    self.advise(finding, Some(channel), standing);
                }
            }
        }
    }

    fn credit_abuse(&mut self) {
        if !self.scene.tick.run.running {
            return;
        }
        let detectors = &self.detectors;
        let over_speed_ms = detectors.over_speed.excess_ms();
        let over_limit_ms = detectors.head_over_limit.excess_ms();
        let dry_ms = detectors.stream_lost.lost_ms().max(detectors.dry_start.dry_ms());
        if over_speed_ms | over_limit_ms | dry_ms == 0 {
            self.abuse = [AbuseClock { credited_ms: 0 }; 3];
            return;
        }
        let excesses = [(Abuse::OverSpeed, over_speed_ms), (Abuse::OverLimit, over_limit_ms), (Abuse::DryRun, dry_ms)];
        for ((abuse, excess_ms), clock) in excesses.into_iter().zip(self.abuse.iter_mut()) {
            let credit_ms = clock.follow(excess_ms);
            if credit_ms > 0 {
                self.hours.credit_abuse(abuse, credit_ms);
            }
        }
    }

    fn advise(&mut self, finding: Finding, channel: Option<Channel>, standing: Standing) {
        let Some(happening) = self.alarms.apply(&self.scene.tick, finding, channel, standing) else { return };
        self.report(&happening, Place::of(&happening));
        if happening.state == State::Raised && finding.kind() == Kind::Cause {
            while let Some(replaced) = self.alarms.replace_explained(&self.scene.tick, &happening) {
                self.report(&replaced, Place::behind(&happening, &replaced));
            }
        }
    }

    fn report(&mut self, happening: &Happening, place: Place) {
        let event = self.event(self.scene.tick.stamp, happening);
        self.keeper.event(&event, self.hours.running_seconds());
        self.queue.add_sorted(&event, place);
    }

    fn event(&self, stamp: Instant, happening: &Happening) -> Event {
        Event {
            trip: self.trip,
            stamp,
            id: happening.id,
            finding: happening.finding,
            channel: happening.channel,
            item: happening.item,
            level: happening.level,
            state: happening.state,
            alarm_state: happening.alarm_state,
            evidence: self.evidence(happening.finding, happening.channel),
            candidates: [None; 3],
            replaced_by: happening.replaced_by,
        }
    }

    /// The numbers of the last tick that speak for or against a finding.
    fn evidence(&self, finding: Finding, channel: Option<Channel>) -> Evidence {
        let mut evidence = evidence(&self.scene, finding, channel);
        match finding {
            Finding::HeadClimbing => self.detectors.head_climbing.add_forecast(&mut evidence),
            Finding::ImpellerWorn => self.causes.add_forecast(&self.scene, &mut evidence),
            _ => {}
        }
        evidence
    }

    /// What happens by the passing of time alone.
    fn finish_tick(&mut self, now: Instant) {
        let at_ms = self.scene.tick.at_ms;
        // A tick with events has enough to do; the sample can wait for the next one.
        if self.keeper.sample_is_due(at_ms) && !self.alarms.has_changed() {
            self.keeper.sample(at_ms, &Channel::ALL.map(|channel| self.scene.tick.good(channel)));
        }
        if let Some(after_ms) = self.escalate_after_ms {
            while let Some(happening) = self.alarms.escalate(at_ms, u64::from(after_ms)) {
                self.report_last(self.scene.tick.stamp, &happening);
            }
        }
        while let Some(happening) = self.alarms.end_shelving(at_ms) {
            self.report_last(self.scene.tick.stamp, &happening);
        }
        self.refresh_signals(now);
    }

    fn report_last(&mut self, stamp: Instant, happening: &Happening) {
        let event = self.event(stamp, happening);
        self.keeper.event(&event, self.hours.running_seconds());
        self.queue.add_last(&event, Place::of(happening));
    }

    fn refresh_signals(&mut self, now: Instant) {
        if self.annunciator.take_silence_over(now) {
            self.alarms.end_silence();
        }
        if self.alarms.take_changed() {
            self.annunciator.update(now, self.alarms.outlook());
        }
    }

    /// Carries out a request. The events it causes bear the stamp `now`.
    ///
    /// # Errors
    /// Why the request had no effect.
    pub fn handle(&mut self, now: Instant, command: Command) -> Result<(), Refusal> {
        admissible(command)?;
        let mut effect = false;
        for position in 0..Alarms::POSITIONS {
            let Some(happening) = self.alarms.command(position, command, self.scene.tick.at_ms) else { continue };
            effect = true;
            self.report_last(now, &happening);
        }
        self.refresh_signals(now);
        if effect { Ok(()) } else { Err(Refusal::WithoutEffect) }
    }

    /// Takes the state of the one button; called as often as the contact is looked at. A short press silences what
    /// sounds; when nothing sounds it acknowledges everything. Holding does nothing.
    pub fn button(&mut self, now: Instant, pressed: bool) {
        if !self.button.update(now, pressed) {
            return;
        }
        // What sounds again after a silence sounds for the alarm states too.
        self.refresh_signals(now);
        let sounding = self.alarms.outlook().sounding.is_some();
        let command = if sounding { Command::Silence(None) } else { Command::Acknowledge(None) };
        // A press with nothing to silence or acknowledge is none.
        let _without_effect = self.handle(now, command);
    }

    /// The next event, oldest first.
    pub fn next_event(&mut self) -> Option<Event> {
        self.queue.pop()
    }

    /// Events that found no room because nobody drained the queue, findings for which there was no slot, and records that
    /// the store did not take in time.
    #[must_use]
    pub const fn lost(&self) -> u32 {
        self.queue.lost().saturating_add(self.alarms.turned_away()).saturating_add(self.keeper.lost())
    }

    /// Lamp and sounder at this moment. Cheap: called 20 times a second.
    pub fn signals(&mut self, now: Instant) -> Signals {
        self.annunciator.signals(now)
    }

    /// When to come back at the latest: for the next look at the signals while any are shown, else within a second.
    #[must_use]
    pub fn next_wake(&self, now: Instant) -> Instant {
        now.saturating_add_millis(if self.annunciator.is_active() { 50 } else { 1_000 })
    }

    /// Running hours and starts.
    #[must_use]
    pub const fn hours(&self) -> &Hours {
        &self.hours
    }

    /// What this engine does when it is well, by stretches of engine speed; those of which nothing is known are left out.
    pub fn learned(&self) -> impl Iterator<Item = LearnedStretch> + '_ {
        self.scene.normal.learned.shown()
    }

    /// Whether the engine runs at idle, afloat, and has warmed up.
    #[must_use]
    pub fn is_at_warm_idle(&self) -> bool {
        let rpm = self.scene.tick.good(Channel::Rpm);
        let afloat = self.scene.tick.run.state == RunState::Running;
        afloat && self.scene.expected.warm && rpm.is_some_and(|rpm| self.scene.normal.at_idle(rpm))
    }

    /// Forgets what was learned, before a new commissioning run: another engine, or one that was overhauled.
    pub fn relearn(&mut self) {
        self.scene.normal.forget_learned();
    }

    /// Whether this engine's idle stream was seen to be strong enough for its meter. Until then no water at idle proves
    /// nothing: `dry-start` and `stream-lost` are not judged there, and the head alone guards.
    #[must_use]
    pub const fn idle_stream_readable(&self) -> bool {
        self.scene.normal.idle_stream_readable()
    }

    /// The run state at the last decision tick.
    #[must_use]
    pub const fn run(&self) -> Run {
        self.scene.tick.run
    }
}

impl Default for Monitor {
    fn default() -> Self {
        Self::new()
    }
}
