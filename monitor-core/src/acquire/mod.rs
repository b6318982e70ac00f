//! First block: from sensors to [`Readings`], integers with a quality and an age.
//!
//! Slow sensors (temperature, voltage, pressure) are asked through [`SlowSensor`]; pulses come in as levels or stamps, see
//! [`pulse`]. Nothing here waits.

pub mod adc;
pub mod pressure;
pub mod pulse;
mod readings;
pub mod supply;
pub mod temperature;

pub use adc::SlowChannel;
pub use readings::{Channel, ChannelSet, Quality, RawReading, Reading, Readings};

/// A sensor that is asked now and then and answers when it is ready.
pub trait SlowSensor {
    /// What one answer is.
    type Sample;
    /// What can go wrong on the way to the sensor.
    type Error;

    /// Asks for a sample; never waits.
    ///
    /// # Errors
    /// [`nb::Error::WouldBlock`] while a conversion is under way, [`nb::Error::Other`] when the sensor cannot be
    /// reached: the caller turns that into a [`Quality`].
    fn read(&mut self) -> nb::Result<Self::Sample, Self::Error>;
}
