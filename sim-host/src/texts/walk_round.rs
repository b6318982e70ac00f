//! What a workshop looks at on a walk round an outboard engine, and how often, where the handbook is not at hand. Common
//! practice throughout: the engine's own handbook comes first.

use monitor_core::ledger::Item;

/// One area of the walk round.
#[derive(Debug, Clone, Copy)]
pub struct Area {
    /// What it is.
    pub name: &'static str,
    /// What fails there.
    pub fails: &'static str,
    /// What to look at or do, a line to tick for each.
    pub looks: &'static [&'static str],
}

/// The areas, by how often they strand people, most often first.
pub const AREAS: [Area; 10] = [
    Area {
        name: "Fuel",
        fails: "water from condensation and the tank vent; petrol that has begun to gum",
        looks: &[
            "Fuel of this season, its fill dated; last year's fuel drained",
            "Water separator between tank and pump looked at and drained",
        ],
    },
    Area {
        name: "Fuel system",
        fails: "bulb cracks, hoses split, filters clog, the pump's diaphragm tears",
        looks: &[
            "Primer bulb squeezed: it goes firm and stays firm",
            "Hoses bent by hand: no cracks",
            "Filter renewed; bowl looked at for drops of water",
        ],
    },
    Area {
        name: "Electrical connections",
        fails: "salt in connectors, green terminals, insulation melted by an overheat",
        looks: &[
            "Connectors opened, cleaned, seals and plug caps greased (dielectric grease)",
            "Earth strap: bolts and terminals clean and coated",
            "Wires and coil feet next to the block: insulation whole",
        ],
    },
    Area {
        name: "Water pump",
        fails: "vanes broken or set, sealing ribs worn, grooves in cup or plate",
        looks: &[
            "Vanes counted; none missing, none that keeps its crease when straightened",
            "Cup and plate without grooves; otherwise renewed as a kit",
        ],
    },
    Area {
        name: "Recoil starter",
        fails: "pawls, main spring, the root of the cord",
        looks: &["Cord drawn out and its first centimetres looked at; a furry one renewed"],
    },
    Area {
        name: "Seized parts",
        fails: "fasteners, drive shaft in the crank, bushes",
        looks: &["Fasteners of leg and bracket turn; threads greased"],
    },
    Area {
        name: "Propeller",
        fails: "bent blades; a hub whose rubber slips",
        looks: &[
            "Key out. Blades straight, no line round the shaft, nut and pin in place",
            "Paint mark across hub and barrel unbroken",
        ],
    },
    Area {
        name: "Waterways",
        fails: "salt, or lime from hard fresh water, narrows them",
        looks: &["Flushed after use until the thermostat has opened; strong stream"],
    },
    Area {
        name: "Steering",
        fails: "salt seizes the shaft over the winter",
        looks: &["Shaft oiled (no grease: it holds grit), moves freely"],
    },
    Area {
        name: "Knocks",
        fails: "dropped, or laid down on the wrong side",
        looks: &[
            "Cowl latches open and shut by hand",
            "Tiller, fuel tap, choke, gear lever, clamp screws, tilt bracket whole",
        ],
    },
];

/// Intervals of common practice, for an engine of so many strokes; where that is not known, for both kinds.
pub fn generic_intervals(strokes: Option<u8>) -> impl Iterator<Item = (Item, &'static str)> {
    let only_four_strokes = [Item::EngineOil, Item::OilFilter, Item::TimingBelt, Item::ValveClearance];
    GENERIC.into_iter().filter(move |(item, _)| strokes != Some(2) || !only_four_strokes.contains(item))
}

const GENERIC: [(Item, &str); Item::COUNT] = [
    (Item::EngineOil, "100 h or 12 months; first at 10 to 20 h"),
    (Item::OilFilter, "100 to 200 h or 12 months; first at 20 h"),
    (Item::GearOil, "100 h or 12 months and before lay-up; milky means water; first at 10 to 20 h"),
    (Item::SparkPlugs, "look each 100 h or 12 months, renew each 100 to 200 h"),
    (Item::FuelFilter, "look each 50 to 100 h, renew each 12 months"),
    (Item::Anodes, "look each 100 h or 12 months (inside each 200 h), renew when half gone"),
    (Item::Thermostat, "look each 100 to 200 h or 12 months"),
    (Item::Impeller, "look each 100 to 200 h or 12 months, renew each 300 h or 36 months; yearly in sand"),
    (Item::TimingBelt, "look each 100 to 300 h, renew by the handbook"),
    (Item::ValveClearance, "200 to 300 h or 36 months"),
    (Item::Grease, "each 60 days in fresh water, each 30 days in salt"),
    (Item::PropShaft, "50 to 100 h or 12 months; first at 20 h"),
    (Item::Battery, "100 h or 12 months"),
    (Item::FuelFill, "fresh fuel after 10 weeks, after 8 with two-stroke oil in it, later with stabiliser"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_item_has_an_interval_and_a_two_stroke_no_oil_to_change() {
        assert_eq!(generic_intervals(None).map(|(item, _)| item).collect::<Vec<_>>(), Item::ALL);
        assert_eq!(generic_intervals(Some(4)).count(), 14);
        let two_stroke: Vec<_> = generic_intervals(Some(2)).map(|(item, _)| item.name()).collect();
        assert!(two_stroke.len() == 10 && !two_stroke.contains(&"engine-oil"), "{two_stroke:?}");
    }
}
