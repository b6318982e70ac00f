use super::*;
use proptest::prelude::*;

const MARK: [u8; 2] = [1, 0xfe];

/// A scratchpad with a right check sum.
fn scratchpad(raw: i16, user: [u8; 2], configuration: u8) -> [u8; SCRATCHPAD_BYTES] {
    let [low, high] = raw.to_le_bytes();
    let mut bytes = [low, high, user[0], user[1], configuration, 0xff, 0x0c, 0x10, 0];
    bytes[8] = crc8_maxim_dow(&bytes[..8]);
    bytes
}

#[test]
fn check_sum_is_the_catalogue_entry() {
    assert_eq!(crc8_maxim_dow(b"123456789"), 0xa1, "CRC-8/MAXIM-DOW");
    assert_eq!(crc8_maxim_dow(&[]), 0);
    // The power-on scratchpad printed in data sheets of this family.
    assert_eq!(crc8_maxim_dow(&[0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10]), 0x1c);
}

#[test]
fn published_temperatures() {
    // The table of temperatures and data in data sheets of this family.
    let cases = [
        (0x07d0, 125_000),
        (0x0550, 85_000),
        (0x0191, 25_063),
        (0x00a2, 10_125),
        (0x0008, 500),
        (0x0000, 0),
        (-0x0008, -500),
        (-0x00a2, -10_125),
        (-0x0191, -25_063),
        (-0x0370, -55_000),
    ];
    for (raw, expected) in cases {
        let decoded = decode(&scratchpad(raw, MARK, 0x7f), MARK);
        assert_eq!(decoded, Ok(Temperature::from_millicelsius(expected)), "{raw:04x}");
    }
}

#[test]
fn what_is_no_result_of_this_conversion() {
    let mut noisy = scratchpad(320, MARK, 0x7f);
    noisy[1] ^= 0x10;
    let cases = [
        ("all ones", [0xff; 9], OneWireFault::AllOnes),
        ("all zeros have a matching check sum", [0; 9], OneWireFault::AllZeros),
        ("one flipped bit", noisy, OneWireFault::CheckSum),
        ("another family", scratchpad(320, MARK, 0xff), OneWireFault::ForeignLayout),
        ("power-on value", scratchpad(0x0550, [0x4b, 0x46], 0x7f), OneWireFault::PowerLost),
        ("mark of the conversion before", scratchpad(320, [0, 0xff], 0x7f), OneWireFault::PowerLost),
        ("resolution gone back to 9 bits", scratchpad(320, MARK, 0x1f), OneWireFault::PowerLost),
        ("hotter than the sensor", scratchpad(2_001, MARK, 0x7f), OneWireFault::OutOfRange),
        ("colder than the sensor", scratchpad(-881, MARK, 0x7f), OneWireFault::OutOfRange),
    ];
    for (name, bytes, expected) in cases {
        assert_eq!(decode(&bytes, MARK), Err(expected), "{name}");
    }
}

proptest! {
    #[test]
    fn any_single_flipped_bit_is_a_fault(raw in -880_i16..=2_000, bit in 0_usize..72) {
        let mut bytes = scratchpad(raw, MARK, 0x7f);
        bytes[bit / 8] ^= 1 << (bit % 8);
        prop_assert!(decode(&bytes, MARK).is_err());
    }

    #[test]
    fn no_bytes_give_a_temperature_the_sensor_cannot_have(bytes in any::<[u8; 8]>(), fix in any::<bool>()) {
        let mut nine = [0; SCRATCHPAD_BYTES];
        nine[..8].copy_from_slice(&bytes);
        if fix {
            (nine[2], nine[3], nine[4]) = (MARK[0], MARK[1], 0x7f);
        }
        nine[8] = crc8_maxim_dow(&nine[..8]);
        if let Ok(temperature) = decode(&nine, MARK) {
            prop_assert!((-55_000..=125_000).contains(&temperature.as_millicelsius()));
        }
    }
}

/// A bus with one sensor that behaves as the family does, and with faults to order.
struct Bus {
    presence: Presence,
    /// What the sensor will have measured.
    raw: i16,
    user: [u8; 2],
    converted: bool,
    /// Calls of `conversion_done` before it is done.
    busy: u8,
    loses_power: bool,
    unreachable: bool,
}

impl Bus {
    const fn measuring(raw: i16) -> Self {
        Self {
            presence: Presence::Device,
            raw,
            user: [0x4b, 0x46],
            converted: false,
            busy: 2,
            loses_power: false,
            unreachable: false,
        }
    }
}

impl OneWireBus for Bus {
    type Error = ();

    fn start_conversion(&mut self, mark: [u8; 2], configuration: u8) -> nb::Result<Presence, ()> {
        assert_eq!(configuration, 0x7f);
        if self.unreachable {
            return Err(nb::Error::Other(()));
        }
        (self.user, self.converted, self.busy) = (mark, true, 2);
        if self.loses_power {
            (self.user, self.converted) = ([0x4b, 0x46], false);
        }
        Ok(self.presence)
    }

    fn conversion_done(&mut self) -> nb::Result<(), ()> {
        if self.busy == 0 {
            return Ok(());
        }
        self.busy -= 1;
        Err(nb::Error::WouldBlock)
    }

    fn read_scratchpad(&mut self, bytes: &mut [u8; SCRATCHPAD_BYTES]) -> nb::Result<Presence, ()> {
        *bytes = scratchpad(if self.converted { self.raw } else { 0x0550 }, self.user, 0x7f);
        Ok(self.presence)
    }
}

fn sample(sensor: &mut OneWireThermometer<Bus>) -> Reading<Temperature> {
    for _ in 0..10 {
        match sensor.read() {
            Ok(reading) => return reading,
            Err(error) => assert_eq!(error, nb::Error::WouldBlock),
        }
    }
    panic!("the conversion never ends");
}

#[test]
fn a_sample_takes_a_conversion_and_the_next_takes_another() {
    let mut sensor = OneWireThermometer::new(Bus::measuring(320));
    for _ in 0..600 {
        assert_eq!(sensor.read(), Err(nb::Error::WouldBlock), "started");
        assert_eq!(sample(&mut sensor), Reading::good(Temperature::from_millicelsius(20_000)));
        assert_eq!(sensor.fault(), None);
    }
}

#[test]
fn faults_of_the_bus_are_told_and_gone_when_mended() {
    let mut sensor = OneWireThermometer::new(Bus::measuring(320));
    let cases = [
        (Presence::Nobody, Quality::Open, Some(OneWireFault::NoDevice)),
        (Presence::HeldLow, Quality::Short, Some(OneWireFault::BusShorted)),
        (Presence::Device, Quality::Good, None),
    ];
    for (presence, quality, fault) in cases {
        sensor.bus.presence = presence;
        assert_eq!(sample(&mut sensor).quality, quality);
        assert_eq!(sensor.fault(), fault);
    }
    // Lost between the conversion and the reading.
    assert_eq!(sensor.read(), Err(nb::Error::WouldBlock));
    sensor.bus.presence = Presence::Nobody;
    assert_eq!(sample(&mut sensor).quality, Quality::Open);
}

#[test]
fn power_lost_during_the_conversion_is_no_temperature_and_the_next_is() {
    let mut sensor = OneWireThermometer::new(Bus::measuring(0x0550));
    sensor.bus.loses_power = true;
    assert_eq!(sample(&mut sensor).quality, Quality::Missing);
    assert_eq!(sensor.fault(), Some(OneWireFault::PowerLost));
    sensor.bus.loses_power = false;
    assert_eq!(sample(&mut sensor), Reading::good(Temperature::from_millicelsius(85_000)));
}

#[test]
fn a_bus_master_out_of_reach_is_an_error_and_the_driver_starts_again() {
    let mut sensor = OneWireThermometer::new(Bus::measuring(320));
    sensor.bus.unreachable = true;
    assert_eq!(sensor.read(), Err(nb::Error::Other(())));
    sensor.bus.unreachable = false;
    assert_eq!(sample(&mut sensor).quality, Quality::Good);
}
