//! A pin that is looked at again and again, for boards without capture hardware.

use embedded_hal::digital::InputPin;

use super::micros::Micros;

/// Whoever wants to know the level of a pin.
pub trait LevelSink {
    /// The pin is at the active level (`true`) or not, at `at`. The same level may come again and again.
    fn level(&mut self, active: bool, at: Micros);
}

/// Which electrical level means "active".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ActiveLevel {
    /// A pulse is a high level.
    High,
    /// A pulse is a low level: an open collector with a pull-up resistor, as most Hall flow meters have.
    Low,
}

/// Looks at a pin and hands its level on.
///
/// Poll at least twice within the shorter of the two minimum times of the edge filter, else real pulses fall between
/// two looks. Each stamp is late by up to one polling interval; over a reading interval this costs at most one polling
/// interval at each end.
#[derive(Debug)]
pub struct PolledInput<P> {
    pin: P,
    active: ActiveLevel,
}

impl<P: InputPin> PolledInput<P> {
    /// Watches `pin`.
    #[must_use]
    pub const fn new(pin: P, active: ActiveLevel) -> Self {
        Self { pin, active }
    }

    /// Looks at the pin once and tells `sink`.
    ///
    /// # Errors
    /// Whatever the pin reports, as a pin behind a port expander may; the sink is told nothing then.
    pub fn poll(&mut self, now: Micros, sink: &mut impl LevelSink) -> Result<(), P::Error> {
        let active = match self.active {
            ActiveLevel::High => self.pin.is_high()?,
            ActiveLevel::Low => self.pin.is_low()?,
        };
        sink.level(active, now);
        Ok(())
    }

    /// Gives the pin back.
    #[must_use]
    pub fn release(self) -> P {
        self.pin
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    use embedded_hal::digital::{Error, ErrorKind, ErrorType};

    extern crate std;
    use std::vec::Vec;

    /// A pin behind a port expander: answers are given in advance, and some of them fail.
    struct Expander(Vec<Option<bool>>);

    #[derive(Debug, PartialEq)]
    struct BusError;

    impl Error for BusError {
        fn kind(&self) -> ErrorKind {
            ErrorKind::Other
        }
    }

    impl ErrorType for Expander {
        type Error = BusError;
    }

    impl InputPin for Expander {
        fn is_high(&mut self) -> Result<bool, BusError> {
            self.0.remove(0).ok_or(BusError)
        }

        fn is_low(&mut self) -> Result<bool, BusError> {
            self.is_high().map(|high| !high)
        }
    }

    #[derive(Default)]
    struct Heard(Vec<(bool, u32)>);

    impl LevelSink for Heard {
        fn level(&mut self, active: bool, at: Micros) {
            self.0.push((active, at.as_counter()));
        }
    }

    #[test]
    fn each_look_is_told_and_a_failed_one_is_not() {
        for (name, active, turned) in
            [("active high", ActiveLevel::High, false), ("active low", ActiveLevel::Low, true)]
        {
            let mut input = PolledInput::new(Expander(Vec::from([Some(true), None, Some(true), Some(false)])), active);
            let mut heard = Heard::default();
            for (index, expected) in [Ok(()), Err(BusError), Ok(()), Ok(())].into_iter().enumerate() {
                let now = Micros::from_counter(index as u32 * 100);
                assert_eq!(input.poll(now, &mut heard), expected, "{name}");
            }
            assert_eq!(heard.0, [(!turned, 0), (!turned, 200), (turned, 300)], "{name}");
            assert!(input.release().0.is_empty());
        }
    }
}
