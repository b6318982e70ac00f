//! Marks around each driver of the bench.

use board_app::bench::{Part, Witness};

/// Calls the markers below. Their names are read by the project's checks: `mark_PART_begins`, `mark_PART_ended`.
#[derive(Debug)]
pub(crate) struct DriverMarks;

/// Which marker belongs to which part, both ways, and the markers themselves.
macro_rules! parts {
    ($($part:ident: $begins:ident $begin_number:literal, $ended:ident $end_number:literal;)+) => {
        impl Witness for DriverMarks {
            // Inlined, so that the choice is made when compiling and costs no instructions.
            #[inline(always)]
            fn begins(&mut self, part: Part) {
                match part {
                    $(Part::$part => $begins(),)+
                }
            }

            #[inline(always)]
            fn ended(&mut self, part: Part) {
                match part {
                    $(Part::$part => $ended(),)+
                }
            }
        }

        markers! {
            $($begins: $begin_number; $ended: $end_number;)+
        }
    };
}

parts! {
    TachometerEdge: mark_tachometer_edge_begins 1, mark_tachometer_edge_ended 2;
    TachometerRead: mark_tachometer_read_begins 3, mark_tachometer_read_ended 4;
    FlowEdge: mark_flow_edge_begins 5, mark_flow_edge_ended 6;
    FlowRead: mark_flow_read_begins 7, mark_flow_read_ended 8;
    ThermistorPoll: mark_thermistor_poll_begins 9, mark_thermistor_poll_ended 10;
    SupplyPoll: mark_supply_poll_begins 11, mark_supply_poll_ended 12;
    OilPoll: mark_oil_poll_begins 13, mark_oil_poll_ended 14;
    ThermistorTable: mark_thermistor_table_begins 15, mark_thermistor_table_ended 16;
    PlatinumReading: mark_platinum_reading_begins 17, mark_platinum_reading_ended 18;
    ThermocoupleReading: mark_thermocouple_reading_begins 19, mark_thermocouple_reading_ended 20;
    OneWireDecode: mark_one_wire_decode_begins 21, mark_one_wire_decode_ended 22;
    Step: mark_step_begins 23, mark_step_ended 24;
    Signals: mark_signals_begins 25, mark_signals_ended 26;
}
