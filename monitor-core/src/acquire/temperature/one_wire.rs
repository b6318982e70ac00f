//! Digital one-wire thermometers with a scratchpad of nine bytes (12-bit family), one on each bus.
//!
//! Nothing is ever judged by its value: 85 °C is a legal temperature of a head and also what such a sensor holds after
//! power-up. The driver knows the difference by its own state. It reads a temperature only after a conversion that it asked
//! for, and it writes a mark into the sensor's two user bytes before: a sensor that lost its power since then has lost the
//! mark, and what it holds is not the result of that conversion.

use super::fault as faulty;
use crate::acquire::{Quality, Reading, SlowSensor};
use crate::units::Temperature;

/// Bytes of the scratchpad.
pub const SCRATCHPAD_BYTES: usize = 9;
/// Configuration byte for 12 bits; its bits 0 to 4 always read 1 and bit 7 always 0.
const CONFIGURATION_12_BITS: u8 = 0x7f;
const CONFIGURATION_FIXED_BITS: u8 = 0x9f;
const CONFIGURATION_FIXED_VALUE: u8 = 0x1f;
/// Legal raw temperatures, in sixteenths of a degree: −55 to 125 °C.
const RAW_RANGE: core::ops::RangeInclusive<i16> = -880..=2_000;

/// What the bus did after a reset pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Presence {
    /// A sensor answered.
    Device,
    /// The bus rose and stayed high: nobody is there.
    Nobody,
    /// The bus did not rise: it is shorted to ground, or its pull-up is missing.
    HeldLow,
}

/// A one-wire bus with one sensor. A board implements it; nothing here waits.
///
/// Each call starts with a reset pulse and addresses the only sensor. Calls may answer [`nb::Error::WouldBlock`] as often as
/// they like until their work is done.
pub trait OneWireBus {
    /// What can go wrong in the bus master itself.
    type Error;

    /// Reset, then write the two user bytes `mark` and the configuration byte (command 4E), and, if a sensor answered, reset
    /// again and start a conversion (command 44).
    ///
    /// # Errors
    /// The bus master cannot be reached, or is busy.
    fn start_conversion(&mut self, mark: [u8; 2], configuration: u8) -> nb::Result<Presence, Self::Error>;

    /// Answers once the conversion is over: when the sensor says so in a read slot, or when 750 ms have passed.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] until then; or the bus master cannot be reached.
    fn conversion_done(&mut self) -> nb::Result<(), Self::Error>;

    /// Reset, then read the scratchpad (command BE) into `scratchpad` if a sensor answered.
    ///
    /// # Errors
    /// The bus master cannot be reached, or is busy.
    fn read_scratchpad(&mut self, scratchpad: &mut [u8; SCRATCHPAD_BYTES]) -> nb::Result<Presence, Self::Error>;
}

/// Why there is no temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum OneWireFault {
    /// Nobody answered the reset pulse: lead off, or sensor without power.
    NoDevice,
    /// The bus does not rise: shorted to ground, or no pull-up.
    BusShorted,
    /// Every bit is 1: the sensor fell silent in the middle, often its ground wire.
    AllOnes,
    /// Every bit is 0, which even has a matching check sum: the bus is held low.
    AllZeros,
    /// The check sum is wrong: noise, or two sensors on the bus.
    CheckSum,
    /// The check sum is right, but no sensor of this family looks like that.
    ForeignLayout,
    /// The sensor lost its power after the conversion was asked for, so nothing was converted.
    PowerLost,
    /// A temperature that the sensor cannot have.
    OutOfRange,
}

impl From<OneWireFault> for Quality {
    fn from(fault: OneWireFault) -> Self {
        match fault {
            OneWireFault::NoDevice | OneWireFault::AllOnes => Self::Open,
            OneWireFault::BusShorted | OneWireFault::AllZeros => Self::Short,
            OneWireFault::PowerLost => Self::Missing,
            OneWireFault::CheckSum | OneWireFault::ForeignLayout | OneWireFault::OutOfRange => Self::Implausible,
        }
    }
}

/// CRC-8/MAXIM-DOW: polynomial 0x31 reflected, start 0; of "123456789" it is 0xA1.
#[must_use]
pub fn crc8_maxim_dow(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..u8::BITS).fold(crc ^ byte, |crc, _| if crc & 1 == 0 { crc >> 1_u32 } else { (crc >> 1_u32) ^ 0x8c })
    })
}

/// The temperature in a scratchpad that was read after a conversion with `mark` in the user bytes.
///
/// # Errors
/// Why these bytes are not the result of that conversion.
pub fn decode(scratchpad: &[u8; SCRATCHPAD_BYTES], mark: [u8; 2]) -> Result<Temperature, OneWireFault> {
    if scratchpad.iter().all(|byte| *byte == 0xff) {
        return Err(OneWireFault::AllOnes);
    }
    if scratchpad.iter().all(|byte| *byte == 0) {
        return Err(OneWireFault::AllZeros);
    }
    let &[low, high, user_1, user_2, configuration, _, _, _, check] = scratchpad;
    let (covered, _) = scratchpad.split_at(SCRATCHPAD_BYTES.saturating_sub(1));
    if crc8_maxim_dow(covered) != check {
        return Err(OneWireFault::CheckSum);
    }
    if configuration & CONFIGURATION_FIXED_BITS != CONFIGURATION_FIXED_VALUE {
        return Err(OneWireFault::ForeignLayout);
    }
    if [user_1, user_2] != mark || configuration != CONFIGURATION_12_BITS {
        return Err(OneWireFault::PowerLost);
    }
    let raw = i16::from_le_bytes([low, high]);
    if !RAW_RANGE.contains(&raw) {
        return Err(OneWireFault::OutOfRange);
    }
    // A sixteenth is 62.5 m°C: rounded half away from zero.
    let halves = i32::from(raw).saturating_mul(125);
    Ok(Temperature::from_millicelsius(crate::num::round_div(halves, 2)))
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Idle,
    Converting,
    Reading,
}

/// A one-wire thermometer. Each sample is the result of a conversion asked for by this driver.
#[derive(Debug)]
pub struct OneWireThermometer<B> {
    bus: B,
    state: State,
    /// Number of this conversion, in the mark.
    count: u8,
    fault: Option<OneWireFault>,
}

impl<B: OneWireBus> OneWireThermometer<B> {
    /// The only thermometer on `bus`.
    #[must_use]
    pub const fn new(bus: B) -> Self {
        Self { bus, state: State::Idle, count: 0, fault: None }
    }

    /// Why the last sample was no temperature.
    #[must_use]
    pub const fn fault(&self) -> Option<OneWireFault> {
        self.fault
    }

    fn sample(&mut self, result: Result<Temperature, OneWireFault>) -> Reading<Temperature> {
        self.state = State::Idle;
        self.fault = result.err();
        match result {
            Ok(temperature) => Reading::good(temperature),
            Err(fault) => faulty(fault.into()),
        }
    }

    /// A bus master that cannot be reached leaves nothing to go on with.
    fn or_idle<T>(&mut self, answer: nb::Result<T, B::Error>) -> nb::Result<T, B::Error> {
        if matches!(answer, Err(nb::Error::Other(_))) {
            self.state = State::Idle;
        }
        answer
    }
}

/// The mark of a conversion. It differs from the one before, so that a mark that happens to be stored in the sensor cannot
/// hide a loss of power twice running.
const fn mark(count: u8) -> [u8; 2] {
    [count, !count]
}

const fn absent(presence: Presence) -> Option<OneWireFault> {
    match presence {
        Presence::Device => None,
        Presence::Nobody => Some(OneWireFault::NoDevice),
        Presence::HeldLow => Some(OneWireFault::BusShorted),
    }
}

impl<B: OneWireBus> SlowSensor for OneWireThermometer<B> {
    type Sample = Reading<Temperature>;
    type Error = B::Error;

    /// Goes on with the conversion under way. One call starts it; one, later, gives the sample.
    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error> {
        if self.state == State::Idle {
            let count = self.count.wrapping_add(1);
            let presence = self.bus.start_conversion(mark(count), CONFIGURATION_12_BITS)?;
            self.count = count;
            if let Some(fault) = absent(presence) {
                return Ok(self.sample(Err(fault)));
            }
            self.state = State::Converting;
            return Err(nb::Error::WouldBlock);
        }
        if self.state == State::Converting {
            let done = self.bus.conversion_done();
            self.or_idle(done)?;
            self.state = State::Reading;
        }
        let mut scratchpad = [0; SCRATCHPAD_BYTES];
        let answer = self.bus.read_scratchpad(&mut scratchpad);
        let presence = self.or_idle(answer)?;
        let result = match absent(presence) {
            Some(fault) => Err(fault),
            None => decode(&scratchpad, mark(self.count)),
        };
        Ok(self.sample(result))
    }
}

#[cfg(test)]
mod tests;
