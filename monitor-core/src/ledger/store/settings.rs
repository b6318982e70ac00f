//! Bytes of the settings: a version, then one field after the other.
//!
//! A field is a number, a length in bytes and so many bytes. What is absent is left out; a field that this version does
//! not know is passed over, so that fields can be added. All numbers are little-endian.
//!
//! ```text
//! 0  1  version, 2; a version 1 had no service plan
//! then fields:
//!  1  strokes, 1                      10  relief valve, 1: 0 no, 1 yes
//!  2  idle, ¼ rpm, 4                  11  least flow of the meter, mL/min, 4
//!  3  rated speed, ¼ rpm, 4           12  gearcase ratio, thousandths, 4
//!  4  greatest speed, ¼ rpm, 4        13  pitch, thousandths of an inch, 4
//!  5  thermostat opens, m°C, 4        14  least charging voltage, mV, 4
//!  6  head limit, m°C, 4              15  channels that have a sensor, 1: bit 0 rpm, 1 head, 2 flow, 3 supply,
//!  7  least oil pressure, Pa, 4            4 speed, 5 water, 6 oil
//!  8  telltale, 1: 0 unknown, 1 before, 2 after the thermostat
//! 32  chain key, 16    33  pairing key, 16    34  command counter, 4
//! 48  service plan, 18 for each item, see [`CarePlan`]
//! 49  older hour meter, 9: role 1, running seconds by it 4, by this monitor at that moment 4
//! ```
//!
//! There is a profile if fields 1, 2, 4 and 15 are there.

use crate::acquire::{Channel, ChannelSet};
use crate::ledger::{CarePlan, MeterChange};
use crate::profile::{Electric, Profile, Telltale};
use crate::units::Quantity;

use super::bytes::{number32, put};
use super::chain::Key;
use super::codes::{role_code, role_of};
use super::error::StoreError;

const VERSION: u8 = 2;
/// Had no service plan. A program that knows only this version would lose the plan, so that the step is needed.
const WITHOUT_PLAN: u8 = 1;

const _: () = assert!(CarePlan::MOST_BYTES <= u8::MAX as usize);

/// What is set once and kept: the profile, the keys and the service plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Settings {
    /// The engine and its sensors.
    pub profile: Option<Profile>,
    /// Key of the chain. It is made on the board and never leaves it.
    pub chain_key: Option<Key>,
    /// Key for commands of a paired host.
    pub pairing_key: Option<Key>,
    /// Number of the last command that was accepted.
    pub command_counter: Option<u32>,
    /// What is to be serviced when, and when it was done last.
    pub care: CarePlan,
    /// What an older hour meter or board showed, as it was signed last.
    pub meter: Option<MeterChange>,
}

impl Settings {
    /// Writes them; tells the length in bytes.
    pub(super) fn encode(&self, bytes: &mut [u8]) -> usize {
        let mut fields = Fields { bytes, at: 0 };
        fields.put_raw(&[VERSION]);
        if let Some(profile) = &self.profile {
            put_profile(&mut fields, profile);
        }
        fields.put(32, self.chain_key.as_ref().map(Key::as_bytes).map(<[u8; 16]>::as_slice));
        fields.put(33, self.pairing_key.as_ref().map(Key::as_bytes).map(<[u8; 16]>::as_slice));
        fields.put_number(34, self.command_counter);
        fields.put(48, (!self.care.is_empty()).then(|| self.care.as_bytes()));
        fields.put(49, self.meter.as_ref().map(meter_bytes).as_ref().map(<[u8; METER_BYTES]>::as_slice));
        fields.at
    }

    /// Reads them.
    ///
    /// # Errors
    /// Another version wrote them.
    pub(super) fn decode(bytes: &[u8]) -> Result<Self, StoreError> {
        match bytes.first() {
            Some(&(WITHOUT_PLAN | VERSION)) => {}
            version => return Err(StoreError::Newer { version: version.copied().unwrap_or(0) }),
        }
        let key = |field| {
            let bytes = find(bytes, field)?.first_chunk::<16>()?;
            Some(Key::from_bytes(*bytes))
        };
        Ok(Self {
            profile: take_profile(bytes),
            chain_key: key(32),
            pairing_key: key(33),
            command_counter: find_number(bytes, 34),
            care: find(bytes, 48).map_or(CarePlan::NONE, CarePlan::from_bytes),
            meter: find(bytes, 49).and_then(take_meter),
        })
    }
}

const METER_BYTES: usize = 9;

fn meter_bytes(change: &MeterChange) -> [u8; METER_BYTES] {
    let mut bytes = [0; METER_BYTES];
    put(&mut bytes, 0, 1, u64::from(role_code(change.role)));
    put(&mut bytes, 1, 4, u64::from(change.old_s));
    put(&mut bytes, 5, 4, u64::from(change.new_s));
    bytes
}

fn take_meter(bytes: &[u8]) -> Option<MeterChange> {
    let role = role_of(*bytes.first()?)?;
    (bytes.len() == METER_BYTES).then(|| MeterChange {
        role,
        old_s: number32(bytes, 1, 4),
        new_s: number32(bytes, 5, 4),
    })
}

fn put_profile(fields: &mut Fields<'_>, profile: &Profile) {
    // Every field by name: one that is added to the profile must be added here.
    let Profile {
        strokes,
        idle,
        rated,
        max,
        thermostat_opens,
        head_limit,
        oil_min,
        telltale,
        relief_valve,
        flow_min,
        gear_ratio_milli,
        prop_pitch_milli_inch,
        electric,
        fitted,
    } = *profile;
    let telltale = match telltale {
        Telltale::Unknown => 0,
        Telltale::BeforeThermostat => 1,
        Telltale::AfterThermostat => 2,
    };
    fields.put(1, Some(&[strokes]));
    fields.put_quantity(2, Some(idle));
    fields.put_quantity(3, rated);
    fields.put_quantity(4, Some(max));
    fields.put_quantity(5, thermostat_opens);
    fields.put_quantity(6, head_limit);
    fields.put_quantity(7, oil_min);
    fields.put(8, Some(&[telltale]));
    fields.put(10, relief_valve.map(|fitted| if fitted { &[1_u8][..] } else { &[0][..] }));
    fields.put_quantity(11, flow_min);
    fields.put_number(12, gear_ratio_milli);
    fields.put_number(13, prop_pitch_milli_inch);
    fields.put_quantity(14, electric.map(|electric| electric.charging_min));
    fields.put(15, Some(&[channel_bits(fitted)]));
}

fn take_profile(bytes: &[u8]) -> Option<Profile> {
    let byte = |field| find(bytes, field)?.first().copied();
    Some(Profile {
        strokes: byte(1)?,
        idle: find_quantity(bytes, 2)?,
        rated: find_quantity(bytes, 3),
        max: find_quantity(bytes, 4)?,
        thermostat_opens: find_quantity(bytes, 5),
        head_limit: find_quantity(bytes, 6),
        oil_min: find_quantity(bytes, 7),
        telltale: match byte(8) {
            Some(1) => Telltale::BeforeThermostat,
            Some(2) => Telltale::AfterThermostat,
            _ => Telltale::Unknown,
        },
        relief_valve: byte(10).map(|fitted| fitted != 0),
        flow_min: find_quantity(bytes, 11),
        gear_ratio_milli: find_number(bytes, 12),
        prop_pitch_milli_inch: find_number(bytes, 13),
        electric: find_quantity(bytes, 14).map(|charging_min| Electric { charging_min }),
        fitted: channels_of(byte(15)?),
    })
}

/// The bit of a channel; part of the format.
const fn channel_bit(channel: Channel) -> u8 {
    match channel {
        Channel::Rpm => 1,
        Channel::Head => 2,
        Channel::Flow => 4,
        Channel::Supply => 8,
        Channel::Speed => 16,
        Channel::Water => 32,
        Channel::Oil => 64,
    }
}

fn channel_bits(set: ChannelSet) -> u8 {
    Channel::ALL
        .into_iter()
        .filter(|channel| set.contains(*channel))
        .fold(0, |bits, channel| bits | channel_bit(channel))
}

fn channels_of(bits: u8) -> ChannelSet {
    Channel::ALL
        .into_iter()
        .filter(|channel| bits & channel_bit(*channel) != 0)
        .fold(ChannelSet::EMPTY, ChannelSet::with)
}

/// Fields as they are written one behind the other.
struct Fields<'a> {
    bytes: &'a mut [u8],
    at: usize,
}

impl Fields<'_> {
    fn put_raw(&mut self, source: &[u8]) {
        for (to, from) in self.bytes.iter_mut().skip(self.at).zip(source) {
            *to = *from;
        }
        self.at = self.at.saturating_add(source.len());
    }

    fn put(&mut self, field: u8, value: Option<&[u8]>) {
        let Some(value) = value else { return };
        let Ok(length) = u8::try_from(value.len()) else { return };
        self.put_raw(&[field, length]);
        self.put_raw(value);
    }

    fn put_number(&mut self, field: u8, value: Option<u32>) {
        self.put(field, value.map(u32::to_le_bytes).as_ref().map(<[u8; 4]>::as_slice));
    }

    fn put_quantity<Q: Quantity>(&mut self, field: u8, value: Option<Q>) {
        self.put_number(field, value.map(|value| value.raw().cast_unsigned()));
    }
}

/// The bytes of a field.
fn find(bytes: &[u8], field: u8) -> Option<&[u8]> {
    let mut rest = bytes.get(1..)?;
    while let [number, length, behind @ ..] = rest {
        let (value, next) = behind.split_at_checked(usize::from(*length))?;
        if *number == field {
            return Some(value);
        }
        rest = next;
    }
    None
}

fn find_number(bytes: &[u8], field: u8) -> Option<u32> {
    find(bytes, field).filter(|value| value.len() == 4).map(|value| number32(value, 0, 4))
}

fn find_quantity<Q: Quantity>(bytes: &[u8], field: u8) -> Option<Q> {
    find_number(bytes, field).map(|value| Q::from_raw(value.cast_signed()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::{CareItem, Day, Done, Item, Role};
    use crate::units::{Flow, Pressure, Rpm, Temperature, Voltage};

    fn full() -> Settings {
        let profile = Profile {
            rated: Some(Rpm::from_whole_rpm(5_500)),
            thermostat_opens: Some(Temperature::from_millicelsius(62_000)),
            head_limit: Some(Temperature::from_millicelsius(95_000)),
            oil_min: Some(Pressure::from_pascals(100_000)),
            telltale: Telltale::AfterThermostat,
            relief_valve: Some(true),
            flow_min: Some(Flow::from_millilitres_per_minute(300)),
            gear_ratio_milli: Some(1_850),
            prop_pitch_milli_inch: Some(13_000),
            electric: Some(Electric { charging_min: Voltage::from_millivolts(13_000) }),
            fitted: ChannelSet::ALL.without(Channel::Oil),
            ..Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000))
        };
        Settings {
            profile: Some(profile),
            chain_key: Some(Key::from_bytes(core::array::from_fn(|place| u8::try_from(place).unwrap()))),
            pairing_key: Some(Key::from_bytes([0xAA; 16])),
            command_counter: Some(0x0102_0304),
            care: CarePlan::NONE,
            meter: None,
        }
    }

    const METER: MeterChange = MeterChange { role: Role::Yard, old_s: 0x0102_0304, new_s: 3_600 };

    fn impeller() -> CarePlan {
        let done = Some(Done { seq: 3, at_s: 7_200, day: Some(Day::from_days_since_1970(20_544)) });
        CarePlan::NONE.with(&CareItem { item: Item::Impeller, hours: 200, months: 12, run_in_hours: 10, done })
    }

    /// As version 1 wrote them.
    #[rustfmt::skip]
    const GOLDEN: [u8; 115] = [
        1, 1, 1, 4, 2, 4, 0xB8, 0x0B, 0, 0, 3, 4, 0xF0, 0x55, 0, 0, 4, 4, 0xC0, 0x5D, 0, 0,
        5, 4, 0x30, 0xF2, 0, 0, 6, 4, 0x18, 0x73, 1, 0, 7, 4, 0xA0, 0x86, 1, 0, 8, 1, 2, 10, 1, 1,
        11, 4, 0x2C, 1, 0, 0, 12, 4, 0x3A, 7, 0, 0, 13, 4, 0xC8, 0x32, 0, 0, 14, 4, 0xC8, 0x32, 0, 0, 15, 1, 0x3F,
        32, 16, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15,
        33, 16, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA, 0xAA,
        34, 4, 4, 3, 2, 1,
    ];

    #[test]
    fn golden_bytes() {
        assert_eq!(Settings::decode(&GOLDEN), Ok(full()), "version 1");
        let with_plan = Settings { care: impeller(), meter: Some(METER), ..full() };
        let mut bytes = [0xEE; 200];
        let length = with_plan.encode(&mut bytes);
        let (base, plan) = bytes[..length].split_at(GOLDEN.len());
        assert_eq!((base[0], &base[1..]), (2, &GOLDEN[1..]));
        let (plan, meter) = plan.split_at(20);
        assert_eq!(plan, [48, 18, 8, 200, 0, 0, 12, 0, 10, 0, 0, 3, 0, 0, 0x20, 0x1C, 0, 0, 0x41, 0x50]);
        assert_eq!(meter, [49, 9, 3, 0x04, 0x03, 0x02, 0x01, 0x10, 0x0E, 0, 0]);
        assert_eq!(Settings::decode(&bytes[..length]), Ok(with_plan));
    }

    #[test]
    fn everything_there_can_be_fits_into_a_slot() {
        let care = Item::ALL.into_iter().fold(CarePlan::NONE, |plan, item| {
            plan.with(&CareItem { item, hours: 100, months: 12, run_in_hours: 20, done: None })
        });
        let most = Settings { care, meter: Some(METER), ..full() };
        let mut bytes = [0; super::super::slot_ring::SLOT_CONTENT_BYTES];
        let length = most.encode(&mut bytes);
        assert!(length <= bytes.len(), "{length}");
        assert_eq!(Settings::decode(&bytes[..length]), Ok(most));
    }

    #[test]
    fn what_is_absent_stays_absent() {
        let two_stroke = Profile::new(2, Rpm::from_whole_rpm(900), Rpm::from_whole_rpm(5_500));
        let cases = [
            ("nothing", Settings::default()),
            ("a bare profile", Settings { profile: Some(two_stroke), ..Settings::default() }),
            ("a plan only", Settings { care: impeller(), ..Settings::default() }),
            ("keys only", Settings { profile: None, ..full() }),
            ("no valve", Settings { profile: Some(Profile { relief_valve: Some(false), ..two_stroke }), ..full() }),
        ];
        for (name, settings) in cases {
            let mut bytes = [0; 496];
            let length = settings.encode(&mut bytes);
            assert_eq!(Settings::decode(&bytes[..length]), Ok(settings), "{name}");
        }
    }

    #[test]
    fn unknown_fields_are_passed_over_and_other_versions_refused() {
        let mut bytes = [0; GOLDEN.len() + 4];
        bytes[0] = GOLDEN[0];
        bytes[1..5].copy_from_slice(&[200, 2, 34, 4]);
        bytes[5..].copy_from_slice(&GOLDEN[1..]);
        assert_eq!(Settings::decode(&bytes), Ok(full()));
        bytes[0] = 3;
        assert_eq!(Settings::decode(&bytes), Err(StoreError::Newer { version: 3 }));
    }

    #[test]
    fn any_bytes_are_no_panic() {
        let mut bytes = GOLDEN;
        for at in 0..GOLDEN.len() {
            for value in [0, 1, 0x7F, 0xFF] {
                bytes[at] = value;
                let _ = Settings::decode(&bytes);
                let _ = Settings::decode(&bytes[..at]);
            }
            bytes[at] = GOLDEN[at];
        }
    }
}
