//! What happened to this engine and wants a look at the next service.

use std::collections::BTreeMap;

use monitor_core::acquire::Channel;
use monitor_core::event::State;
use monitor_core::finding::{Family, Finding};
use monitor_core::ledger::Item;

use crate::ledger::{BookEvent, Ledger};

/// A finding that wants a look at the next service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Task {
    /// What was found.
    pub finding: Finding,
    /// The sensor it was about.
    pub channel: Option<Channel>,
    /// How often it was raised since somebody saw to it.
    pub times: u32,
    /// Number of the power-up in which it was raised last, low 16 bits.
    pub last_boot: u16,
    /// Stamp of the last time, in milliseconds on the clock of its trip.
    pub last_stamp_ms: i64,
    /// Seconds that the engine was run on while it stood, as far as they are known.
    pub run_on_s: u64,
    /// What to look at.
    pub looks: Vec<Look>,
}

/// Something to look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// What and how.
    pub text: &'static str,
    /// The item whose sign-off takes it off the sheet; `None`: it goes once the finding has gone.
    pub closed_by: Option<Item>,
}

/// What a finding asks for: the item whose sign-off closes it, and what to look at.
type Consequence = (Item, &'static str);

const CONSEQUENCES: [(Finding, &[Consequence]); 17] = [
    (
        Finding::VaneLost,
        &[(
            Item::Impeller,
            "Find every piece of the lost vane before the engine runs again: pieces travel up and plug the head. Renew the \
             pump as a kit.",
        )],
    ),
    (
        Finding::DryStart,
        &[(Item::Impeller, "Inspect the impeller: it has run without water. Vanes burnt, torn or set?")],
    ),
    (
        Finding::StreamLost,
        &[(Item::Impeller, "Find out why the stream was lost: intake, impeller, telltale. Inspect the impeller.")],
    ),
    (
        Finding::IntakeBlocked,
        &[(Item::Impeller, "Clean the intake and inspect the impeller: it has run with little water.")],
    ),
    (Finding::ImpellerWorn, &[(Item::Impeller, "Renew the impeller as a kit: impeller, cup, plate, gaskets.")]),
    (Finding::TelltalePlugged, &[(Item::Impeller, "Clear the telltale outlet and its hose; look at the flow meter.")]),
    (
        Finding::HeadOverLimit,
        &[
            (
                Item::SparkPlugs,
                "Loom and coils: look at wires and coil feet next to the block, their insulation may have melted.",
            ),
            (Item::Thermostat, "Does the thermostat open in hot water? Are the waterways free?"),
            (Item::Impeller, "Inspect the impeller."),
        ],
    ),
    (
        Finding::WaterwayFouled,
        &[(Item::Thermostat, "Strip and clean the waterways of salt and lime; flush after use.")],
    ),
    (Finding::ThermostatStuckClosed, &[(Item::Thermostat, "Renew the thermostat if it does not open in hot water.")]),
    (Finding::ThermostatStuckOpen, &[(Item::Thermostat, "Does the thermostat close? Is anything caught in it?")]),
    (Finding::OilPressureLow, &[(Item::EngineOil, "Oil level, leaks, filter; have the pressure measured.")]),
    (
        Finding::HubSlipping,
        &[(Item::PropShaft, "Paint a mark across hub and barrel and try it under load; rebush or renew.")],
    ),
    (Finding::OverSpeed, &[(Item::PropShaft, "Look at the propeller: pitch, blades, hub.")]),
    (
        Finding::RunningUnsteady,
        &[(Item::FuelFilter, "Fuel first: water, age, filter, bulb and hoses, pump diaphragm.")],
    ),
    (Finding::FuelOld, &[(Item::FuelFill, "Drain the old fuel, fill fresh and date the fill.")]),
    (Finding::ChargeLost, &[(Item::Battery, "Measure at the battery; look at terminals and regulator.")]),
    (
        Finding::WeakConnection,
        &[(Item::Battery, "Open, clean and grease the connections: battery, earth strap, starter.")],
    ),
];

const SENSOR: &str = "Look at this sensor, its lead and its plug.";

/// What the record asks for: water first, then heat and the rest.
pub(super) fn tasks(ledger: &Ledger) -> Vec<Task> {
    let mut tasks = Vec::new();
    for (finding, consequences) in CONSEQUENCES {
        let raised: Vec<_> = raised(ledger).filter(|kept| kept.event.finding == finding).collect();
        let is_open = |(item, _): &&Consequence| raised.iter().any(|kept| kept.seq > done_seq(ledger, *item));
        let open: Vec<_> = consequences.iter().filter(is_open).collect();
        let since = open.iter().map(|(item, _)| done_seq(ledger, *item)).min().unwrap_or(0);
        let raised: Vec<_> = raised.into_iter().filter(|kept| kept.seq > since).collect();
        let looks: Vec<_> = open.iter().map(|(item, text)| Look { text, closed_by: Some(*item) }).collect();
        if !looks.is_empty() {
            tasks.extend(task(&raised, looks));
        }
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
    tasks.extend(
        standing.into_values().filter_map(|raised| task(&raised, vec![Look { text: SENSOR, closed_by: None }])),
    );
    tasks
}

/// Sequence of the newest sign-off of an item, 0 if there is none.
fn done_seq(ledger: &Ledger, item: Item) -> u32 {
    ledger.plan.items().find(|known| known.item == item).and_then(|known| known.done).map_or(0, |done| done.seq)
}

fn raised(ledger: &Ledger) -> impl Iterator<Item = &BookEvent> {
    ledger.events.iter().filter(|kept| kept.event.state == State::Raised)
}

fn task(raised: &[&BookEvent], looks: Vec<Look>) -> Option<Task> {
    let last = raised.last()?;
    Some(Task {
        finding: last.event.finding,
        channel: last.event.channel,
        times: u32::try_from(raised.len()).unwrap_or(u32::MAX),
        last_boot: last.boot,
        last_stamp_ms: last.event.stamp.as_millis(),
        run_on_s: raised.iter().filter_map(|kept| kept.run_on_s).map(u64::from).sum(),
        looks,
    })
}
