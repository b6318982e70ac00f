//! What happened to this engine and wants a look at the next service.

use std::collections::BTreeMap;

use monitor_core::acquire::Channel;
use monitor_core::event::State;
use monitor_core::finding::{Family, Finding};
use monitor_core::ledger::Item;

use crate::ledger::{BookEvent, Ledger};

/// A look that the record asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    /// What was found.
    pub finding: Finding,
    /// The sensor it was about.
    pub channel: Option<Channel>,
    /// How often it was raised.
    pub times: u32,
    /// Number of the power-up in which it was raised last, low 16 bits.
    pub last_boot: u16,
    /// Stamp of the last time, in milliseconds on the clock of its trip.
    pub last_stamp_ms: i64,
    /// Seconds that the engine was run on while it stood, as far as they are known.
    pub run_on_s: u64,
    /// What to look at.
    pub look: &'static str,
    /// The item whose sign-off takes it off the sheet; `None`: it goes once the finding has gone.
    pub closed_by: Option<Item>,
}

/// What a finding asks for: the item that closes it, and what to look at.
const CONSEQUENCES: [(Finding, Item, &str); 19] = [
    (
        Finding::VaneLost,
        Item::Impeller,
        "Find every piece of the lost vane before the engine runs again: pieces travel up and plug the head. Renew the pump as a kit.",
    ),
    (Finding::DryStart, Item::Impeller, "Inspect the impeller: it has run without water. Vanes burnt, torn or set?"),
    (
        Finding::StreamLost,
        Item::Impeller,
        "Find out why the stream was lost: intake, impeller, telltale. Inspect the impeller.",
    ),
    (
        Finding::IntakeBlocked,
        Item::Impeller,
        "Clean the intake and inspect the impeller: it has run with little water.",
    ),
    (Finding::ImpellerWorn, Item::Impeller, "Renew the impeller as a kit: impeller, cup, plate, gaskets."),
    (Finding::TelltalePlugged, Item::Impeller, "Clear the telltale outlet and its hose; look at the flow meter."),
    (
        Finding::HeadOverLimit,
        Item::SparkPlugs,
        "Loom and coils: look at wires and coil feet next to the block, their insulation may have melted.",
    ),
    (
        Finding::HeadOverLimit,
        Item::Thermostat,
        "The head was too hot: does the thermostat open in hot water? Are the waterways free?",
    ),
    (Finding::HeadOverLimit, Item::Impeller, "The head was too hot: inspect the impeller."),
    (Finding::WaterwayFouled, Item::Thermostat, "Strip and clean the waterways of salt and lime; flush after use."),
    (Finding::ThermostatStuckClosed, Item::Thermostat, "Renew the thermostat if it does not open in hot water."),
    (Finding::ThermostatStuckOpen, Item::Thermostat, "Look at the thermostat: does it close? Anything caught in it?"),
    (Finding::OilPressureLow, Item::EngineOil, "Oil level, leaks, filter; have the pressure measured."),
    (
        Finding::HubSlipping,
        Item::PropShaft,
        "Propeller hub: paint a mark across hub and barrel and try it under load; rebush or renew.",
    ),
    (
        Finding::OverSpeed,
        Item::PropShaft,
        "The engine has turned faster than its handbook allows: look at the propeller's pitch, blades and hub.",
    ),
    (Finding::RunningUnsteady, Item::FuelFilter, "Fuel first: water, age, filter, bulb and hoses, pump diaphragm."),
    (Finding::FuelOld, Item::FuelFill, "Drain the old fuel, fill fresh and date the fill."),
    (Finding::ChargeLost, Item::Battery, "Charging was lost: measure at the battery, look at terminals and regulator."),
    (Finding::WeakConnection, Item::Battery, "Open, clean and grease the connections: battery, earth strap, starter."),
];

const SENSOR: &str = "Look at this sensor, its lead and its plug.";

/// What the record asks for, in the order in which findings are shown.
#[must_use]
pub(super) fn tasks(ledger: &Ledger) -> Vec<Task> {
    let mut tasks = Vec::new();
    for (finding, item, look) in CONSEQUENCES {
        let done_seq = ledger.plan.items().find(|known| known.item == item).and_then(|known| known.done);
        let done_seq = done_seq.map_or(0, |done| done.seq);
        let raised: Vec<_> =
            raised(ledger).filter(|kept| kept.event.finding == finding && kept.seq > done_seq).collect();
        tasks.extend(task(&raised, look, Some(item)));
    }
    // Sensors have no item: what stood at the end still wants a look.
    let mut standing: BTreeMap<_, Vec<&BookEvent>> = BTreeMap::new();
    for kept in ledger.events.iter().filter(|kept| kept.event.finding.family() == Family::Sensor) {
        let sensor = (kept.event.finding, kept.event.channel.map(Channel::name));
        match kept.event.state {
            State::Raised => standing.entry(sensor).or_default().push(kept),
            State::Cleared | State::Replaced => {
                standing.remove(&sensor);
            }
            _ => {}
        }
    }
    tasks.extend(standing.into_values().filter_map(|raised| task(&raised, SENSOR, None)));
    tasks
}

fn raised(ledger: &Ledger) -> impl Iterator<Item = &BookEvent> {
    ledger.events.iter().filter(|kept| kept.event.state == State::Raised)
}

fn task(raised: &[&BookEvent], look: &'static str, closed_by: Option<Item>) -> Option<Task> {
    let last = raised.last()?;
    Some(Task {
        finding: last.event.finding,
        channel: last.event.channel,
        times: u32::try_from(raised.len()).unwrap_or(u32::MAX),
        last_boot: last.boot,
        last_stamp_ms: last.event.stamp.as_millis(),
        run_on_s: raised.iter().filter_map(|kept| kept.run_on_s).map(u64::from).sum(),
        look,
        closed_by,
    })
}
