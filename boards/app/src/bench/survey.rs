//! The conversions that the story does not use, over their whole range.

use core::hint::black_box;

use monitor_core::acquire::adc::{AdcCounts, AdcScale, CalibrationError, Divider, Pull, Resistance};
use monitor_core::acquire::temperature::TemperatureSpan;
use monitor_core::acquire::temperature::ntc::{NtcCalibration, NtcTable};
use monitor_core::acquire::temperature::one_wire::{SCRATCHPAD_BYTES, crc8_maxim_dow, decode};
use monitor_core::acquire::temperature::rtd::RtdCalibration;
use monitor_core::acquire::temperature::thermocouple::ThermocoupleCalibration;
use monitor_core::acquire::{Quality, Reading};
use monitor_core::units::{Quantity, Temperature};

use super::hash::Hash;
use super::{Part, Witness, measured};

/// Converts a set of inputs with each driver and returns a hash of what came out.
#[inline(never)]
pub(super) fn survey(witness: &mut impl Witness) -> Result<u32, CalibrationError> {
    let mut hash = Hash::new();
    thermistor_table(witness, &mut hash)?;
    platinum(witness, &mut hash)?;
    thermocouple(witness, &mut hash)?;
    one_wire(witness, &mut hash);
    Ok(hash.value())
}

/// The thermistor of the story by eight rows of a table, from −37 to 148 °C, and both rails.
#[inline(never)]
fn thermistor_table(witness: &mut impl Witness, hash: &mut Hash) -> Result<(), CalibrationError> {
    let row = |celsius: i32, ohms| (Temperature::from_millicelsius(celsius * 1_000), Resistance::from_ohms(ohms));
    let rows = NtcTable::new([
        row(-20, 96_998),
        row(0, 32_650),
        row(20, 12_493),
        row(40, 5_325),
        row(60, 2_487),
        row(80, 1_256),
        row(100, 678),
        row(120, 388),
    ])?;
    let divider = Divider::new(AdcScale::new(4_095, 20, 20)?, Pull::Up, Resistance::from_ohms(10_000))?;
    let calibration = NtcCalibration::new(divider, rows, TemperatureSpan::DEFAULT)?;
    for counts in (0..=4_095).step_by(15) {
        let counts = black_box(AdcCounts::from_counts(counts));
        note(hash, measured(witness, Part::ThermistorTable, || calibration.reading(counts)));
    }
    Ok(())
}

/// A Pt1000 under 2 kΩ on 16 bits, from −60 to 210 °C, and both rails.
#[inline(never)]
fn platinum(witness: &mut impl Witness, hash: &mut Hash) -> Result<(), CalibrationError> {
    let divider = Divider::new(AdcScale::new(65_535, 300, 300)?, Pull::Up, Resistance::from_ohms(2_000))?;
    let (at_zero, leads) = (Resistance::from_ohms(1_000), Resistance::from_milliohms(600));
    let calibration = RtdCalibration::new(divider, at_zero, leads, TemperatureSpan::DEFAULT)?;
    for counts in (18_000..=31_200).step_by(50).chain([0, 65_535]) {
        let counts = black_box(AdcCounts::from_counts(counts));
        note(hash, measured(witness, Part::PlatinumReading, || calibration.reading(counts)));
    }
    Ok(())
}

/// A type K behind an amplifier of 10 µV a count, from −25 to 600 °C, its cold junction from 0 to 50 °C, and both
/// rails.
#[inline(never)]
fn thermocouple(witness: &mut impl Witness, hash: &mut Hash) -> Result<(), CalibrationError> {
    let scale = AdcScale::new(4_095, 20, 20)?;
    let zero = AdcCounts::from_counts(400);
    let calibration = ThermocoupleCalibration::new(scale, zero, 10_000_000, TemperatureSpan::DEFAULT)?;
    let mut cold_millicelsius = 0;
    for counts in (300..=2_900).step_by(10).chain([0, 4_095]) {
        let cold = black_box(Reading::good(Temperature::from_millicelsius(cold_millicelsius)));
        let counts = black_box(AdcCounts::from_counts(counts));
        note(hash, measured(witness, Part::ThermocoupleReading, || calibration.reading(counts, cold)));
        cold_millicelsius = if cold_millicelsius >= 50_000 { 0 } else { cold_millicelsius + 1_250 };
    }
    Ok(())
}

/// Scratchpads from −55 to 125 °C, each also with one bit turned over.
#[inline(never)]
fn one_wire(witness: &mut impl Witness, hash: &mut Hash) {
    const MARK: [u8; 2] = [0x5a, 0xa5];
    for (sixteenths, bit) in (-880_i16..=2_000).step_by(15).zip((0_u32..8).cycle()) {
        let ([low, high], [user_1, user_2]) = (sixteenths.to_le_bytes(), MARK);
        let covered = [low, high, user_1, user_2, 0x7f, 0xff, 0x0c, 0x10];
        let check = crc8_maxim_dow(&covered);
        for check in [check, check ^ (1 << bit)] {
            let scratchpad: [u8; SCRATCHPAD_BYTES] =
                black_box([low, high, user_1, user_2, 0x7f, 0xff, 0x0c, 0x10, check]);
            let decoded = measured(witness, Part::OneWireDecode, || decode(&scratchpad, MARK));
            note(
                hash,
                match decoded {
                    Ok(temperature) => Reading::good(temperature),
                    Err(fault) => Reading { quality: Quality::from(fault), ..Reading::missing() },
                },
            );
        }
    }
}

fn note(hash: &mut Hash, reading: Reading<Temperature>) {
    hash.add(reading.value.raw().cast_unsigned());
    hash.add(u32::from(reading.quality as u8));
}
