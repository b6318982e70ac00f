//! The analogue inputs: counts that a converter leaves for the drivers to fetch.

use core::convert::Infallible;
use core::sync::atomic::{AtomicU32, Ordering};

use monitor_core::acquire::adc::{AdcCounts, AdcInput};

use super::dice::Dice;
use super::engine::Engine;
use super::story::Lead;

/// Highest count of the converter.
pub(super) const FULL_SCALE: u32 = 4_095;
/// Supply voltage that gives the highest count: 3.3 V at the pin behind 47 kΩ over 10 kΩ.
const SUPPLY_FULL_SCALE_MILLIVOLTS: u32 = 18_810;
/// Counts of the oil sender's 5 V supply behind its divider.
const SENDER_SUPPLY_COUNTS: u32 = 3_700;
/// What an input at −18 °C would give.
const LEAD_OFF_MILLICELSIUS: i32 = -18_000;
/// The thermistor of the Steinhart–Hart coefficients in `drivers.rs` under 10 kΩ, in sixteenths of a count, every 10 K
/// from −30 °C; calculated apart from the driver, by solving the equation for the resistance.
const THERMISTOR: [u32; 19] = [
    62_012, 59_397, 55_486, 50_158, 43_609, 36_391, 29_233, 22_766, 17_347, 13_050, 9_766, 7_311, 5_498, 4_163, 3_178,
    2_449, 1_906, 1_497, 1_187,
];

/// One input of the converter.
#[derive(Debug)]
pub struct Pin(AtomicU32);

impl Pin {
    /// The conversion is under way.
    const BUSY: u32 = u32::MAX;

    const fn new() -> Self {
        Self(AtomicU32::new(Self::BUSY))
    }

    fn set(&self, counts: u32) {
        self.0.store(counts, Ordering::Relaxed);
    }
}

impl AdcInput for &Pin {
    type Error = Infallible;

    fn read_counts(&mut self) -> nb::Result<AdcCounts, Infallible> {
        match self.0.load(Ordering::Relaxed) {
            Pin::BUSY => Err(nb::Error::WouldBlock),
            counts => Ok(AdcCounts::from_counts(counts)),
        }
    }
}

/// All analogue inputs. Drivers borrow them, so they must outlive the bench: on a board they are a static.
#[derive(Debug)]
pub struct Pins {
    pub(super) head: Pin,
    pub(super) supply: Pin,
    pub(super) oil: Pin,
    pub(super) oil_supply: Pin,
}

impl Pins {
    /// Inputs on which no conversion has ended yet.
    #[must_use]
    pub const fn new() -> Self {
        Self { head: Pin::new(), supply: Pin::new(), oil: Pin::new(), oil_supply: Pin::new() }
    }

    /// Puts what the engine gives on the inputs. One conversion in eight is late.
    pub(super) fn set(&self, engine: &Engine, lead: Lead, dice: &mut Dice) {
        let head = match lead {
            Lead::Whole => engine.head_millicelsius,
            Lead::Off => LEAD_OFF_MILLICELSIUS,
        };
        let supply = engine.supply_millivolts * FULL_SCALE / SUPPLY_FULL_SCALE_MILLIVOLTS;
        let oil_supply = noisy(SENDER_SUPPLY_COUNTS, dice);
        // 0.5 to 4.5 V of 5 V for 0 to 1 MPa, in millionths.
        let oil = oil_supply * (100_000 + engine.oil_pascals * 4 / 5) / 1_000_000;
        for (pin, counts) in [(&self.head, thermistor_counts(head)), (&self.supply, supply), (&self.oil, oil)] {
            let counts = noisy(counts, dice);
            pin.set(if dice.below(8) == 0 { Pin::BUSY } else { counts });
        }
        self.oil_supply.set(oil_supply);
    }
}

impl Default for Pins {
    fn default() -> Self {
        Self::new()
    }
}

fn noisy(counts: u32, dice: &mut Dice) -> u32 {
    counts.saturating_add_signed(dice.within(2))
}

/// The counts of the thermistor, straight between the rows of the table.
pub(super) fn thermistor_counts(millicelsius: i32) -> u32 {
    let above_first = u32::try_from(millicelsius.saturating_add(30_000)).unwrap_or(0);
    let row = usize::try_from(above_first / 10_000).unwrap_or(0).min(THERMISTOR.len() - 2);
    let (Some(colder), Some(warmer)) = (THERMISTOR.get(row), THERMISTOR.get(row + 1)) else { return FULL_SCALE };
    let part = (colder - warmer) * (above_first % 10_000) / 10_000;
    (colder - part + 8) / 16
}
