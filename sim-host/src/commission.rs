//! The commissioning run: how much of what it should show was seen, and what it costs where it was not.

use monitor_core::Monitor;
use monitor_core::condition::RunState;
use monitor_core::finding::Finding;
use monitor_core::ledger::Band;
use monitor_core::time::Instant;

/// What a commissioning run should hold: so long at warm idle, in seconds …
const IDLE_S: u64 = 300;
/// … and so long in each of three bands of engine speed.
const BAND_S: u64 = 60;
const BANDS: [Band; 3] = [Band::To50, Band::To70, Band::To90];
/// Longest time between two ticks that counts.
const HOLE_MS: i64 = 5_000;

/// What a commissioning run held.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Coverage {
    warm_idle_ms: u64,
    /// Running seconds by band before it.
    before_s: [u64; BANDS.len()],
    bands_s: [u64; BANDS.len()],
    on_hose: bool,
    last_tick: Option<Instant>,
    learned: bool,
}

/// Something that a commissioning run held too little of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The band of engine speed; idle means warm idle.
    pub band: Band,
    /// Seconds that there were.
    pub seconds: u64,
    /// Seconds that there should have been.
    pub wanted_s: u64,
    /// Findings that are worse for it or not possible before the engine was seen there.
    pub costs: &'static [Finding],
}

impl Coverage {
    /// Before the run.
    #[must_use]
    pub fn new(monitor: &Monitor) -> Self {
        Self { before_s: bands(monitor), ..Self::default() }
    }

    /// A decision tick closed.
    pub fn tick(&mut self, monitor: &Monitor, tick: Instant) {
        let passed_ms = self.last_tick.map_or(0, |last| tick.as_millis() - last.as_millis());
        self.last_tick = Some(tick);
        self.on_hose |= monitor.run().state == RunState::OnHose;
        if monitor.is_at_warm_idle() && (1..=HOLE_MS).contains(&passed_ms) {
            self.warm_idle_ms += passed_ms.unsigned_abs();
        }
    }

    /// The run is over.
    pub fn finish(&mut self, monitor: &Monitor) {
        let after_s = bands(monitor);
        self.bands_s = std::array::from_fn(|band| after_s[band] - self.before_s[band]);
        self.learned = monitor.learned().next().is_some();
    }

    /// Whether anything at all was learned.
    #[must_use]
    pub const fn is_of_use(&self) -> bool {
        self.learned
    }

    /// Whether the engine was on a hose, where nothing is learned.
    #[must_use]
    pub const fn was_on_hose(&self) -> bool {
        self.on_hose
    }

    /// What it held too little of.
    #[must_use]
    pub fn gaps(&self) -> Vec<Gap> {
        const AT_IDLE: &[Finding] = &[Finding::DryStart, Finding::StreamLost, Finding::ImpellerWorn];
        const AT_SPEED: &[Finding] = &[
            Finding::IntakeBlocked,
            Finding::VaneLost,
            Finding::TelltalePlugged,
            Finding::WaterwayFouled,
            Finding::HubSlipping,
        ];
        let idle = Gap { band: Band::Idle, seconds: self.warm_idle_ms / 1_000, wanted_s: IDLE_S, costs: AT_IDLE };
        let bands = BANDS.into_iter().zip(self.bands_s);
        let bands = bands.map(|(band, seconds)| Gap { band, seconds, wanted_s: BAND_S, costs: AT_SPEED });
        std::iter::once(idle).chain(bands).filter(|gap| gap.seconds < gap.wanted_s).collect()
    }
}

fn bands(monitor: &Monitor) -> [u64; BANDS.len()] {
    BANDS.map(|band| {
        let of_band = monitor.hours().bands().find(|(found, ..)| *found == band);
        of_band.map_or(0, |(.., seconds)| seconds)
    })
}
