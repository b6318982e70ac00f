//! A slow sensor as a channel: every poll gives a reading with a quality and an age.

use super::{CalibrationError, RateGate, SlowFilter};
use crate::acquire::{Quality, Reading, SlowSensor};
use crate::time::Instant;
use crate::units::Quantity;

/// Age in milliseconds over which a reading is no longer live.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StaleAfter(u16);

impl StaleAfter {
    /// Five seconds: the age at which the monitor itself stops believing.
    pub const DEFAULT: Self = Self(5_000);

    /// From a number of milliseconds.
    ///
    /// # Errors
    /// 0, or 65535: ages saturate there and would never be over it.
    pub const fn from_millis(millis: u16) -> Result<Self, CalibrationError> {
        if millis == 0 || millis == u16::MAX { Err(CalibrationError::StaleLimit) } else { Ok(Self(millis)) }
    }

    /// The number of milliseconds.
    #[must_use]
    pub const fn as_millis(self) -> u16 {
        self.0
    }
}

/// Polls a sensor and keeps its last reading.
///
/// - An answer is filtered and passed on with its own age; a faulty one is passed on with its quality and does not move
///   the filter.
/// - No answer yet: the last reading again, older. Its age only grows, also when the caller's clock steps back. Over the
///   age limit it is [`Quality::Missing`].
/// - The sensor cannot be reached: [`Quality::Missing`] at once, until the next answer.
#[derive(Debug)]
pub struct SlowChannel<S, Q> {
    sensor: S,
    stale_after: StaleAfter,
    filter: SlowFilter,
    gate: Option<RateGate<Q>>,
    last: Reading<Q>,
    polled_at: Option<Instant>,
    /// Since the last good sample, in milliseconds.
    since_good_ms: u32,
    unreachable: u16,
}

impl<S, Q> SlowChannel<S, Q>
where
    S: SlowSensor<Sample = Reading<Q>>,
    Q: Quantity,
{
    /// A channel that has not been polled: its reading is missing.
    #[must_use]
    pub fn new(sensor: S, filter: SlowFilter, stale_after: StaleAfter) -> Self {
        Self {
            sensor,
            stale_after,
            filter,
            gate: None,
            last: Reading::missing(),
            polled_at: None,
            since_good_ms: 0,
            unreachable: 0,
        }
    }

    /// This channel with a gate against changes that are too fast to be real.
    #[must_use]
    pub fn with_gate(self, gate: RateGate<Q>) -> Self {
        Self { gate: Some(gate), ..self }
    }

    /// Asks the sensor and returns the channel's reading at `now`; never waits.
    pub fn poll(&mut self, now: Instant) -> Reading<Q> {
        let elapsed_ms = self.polled_at.map_or(0, |before| now.millis_since(before));
        self.polled_at = Some(now);
        self.since_good_ms = self.since_good_ms.saturating_add(elapsed_ms);
        if let Some(gate) = &mut self.gate {
            gate.pass_time(elapsed_ms);
        }
        match self.sensor.read() {
            Ok(sample) => self.last = self.take(sample),
            Err(nb::Error::WouldBlock) => {
                let elapsed_ms = u16::try_from(elapsed_ms).unwrap_or(u16::MAX);
                self.last.age_ms = self.last.age_ms.saturating_add(elapsed_ms);
            }
            Err(nb::Error::Other(_)) => {
                self.unreachable = self.unreachable.saturating_add(1);
                self.last = Reading::missing();
            }
        }
        self.live()
    }

    /// How often the sensor could not be reached since power-up, at most 65535.
    #[must_use]
    pub const fn unreachable(&self) -> u16 {
        self.unreachable
    }

    /// The sensor, for what only its driver knows.
    #[must_use]
    pub const fn sensor(&self) -> &S {
        &self.sensor
    }

    fn take(&mut self, sample: Reading<Q>) -> Reading<Q> {
        let judged = self.gate.as_mut().map_or(sample, |gate| gate.judge(sample));
        if judged.quality != Quality::Good {
            return judged;
        }
        // What was measured before a long silence says nothing about now.
        if self.since_good_ms > u32::from(self.stale_after.0) {
            self.filter.restart();
        }
        self.since_good_ms = 0;
        Reading { value: Q::from_raw(self.filter.add(judged.value.raw())), ..judged }
    }

    fn live(&self) -> Reading<Q> {
        if self.last.age_ms > self.stale_after.0 {
            Reading { quality: Quality::Missing, ..self.last }
        } else {
            self.last
        }
    }
}
