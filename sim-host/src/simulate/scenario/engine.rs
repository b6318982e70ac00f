//! The engines of a scenario: the plant's parameters, and the profile that an installer would write of them.

use std::fmt::Write as _;

use monitor_core::profile::{Profile, Telltale};
use monitor_core::units::{Quantity, Rpm};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Bounds, Span};
use crate::plant::{EngineKind, Nameplate, ParameterError, PlantParameters};
use crate::problem::Problem;
use crate::profile::HostProfile;
use crate::profile::SECTIONS as PROFILE_SECTIONS;
use crate::profile::section::Section;
use crate::suggest;

/// One engine of which a scenario may tell.
#[derive(Debug, Clone)]
pub(in crate::simulate) struct Engine {
    pub(in crate::simulate) parameters: PlantParameters,
    pub(in crate::simulate) profile: HostProfile,
    pub(in crate::simulate) profile_toml: String,
}

/// The engines of a scenario: one at least.
#[derive(Debug, Clone)]
pub(in crate::simulate) struct Engines {
    first: Engine,
    others: Vec<Engine>,
}

impl Engines {
    /// The engine at a part of the list: 0 is the first, 1 lies just behind the last.
    pub(in crate::simulate) fn at(&self, part: f64) -> &Engine {
        let place = (part * (self.others.len() + 1) as f64) as usize;
        place.checked_sub(1).and_then(|place| self.others.get(place)).unwrap_or(&self.first)
    }

    pub(super) const fn first(&self) -> &Engine {
        &self.first
    }
}

/// From so many kilowatts an engine without a `kind` is taken for a large one.
const LARGE_FROM_KW: f64 = 90.0;

/// The engines, and how far individuals depart from their kind.
pub(super) fn read(root: &Section<'_>) -> Result<(Engines, Span), Problem> {
    let known: Vec<_> = ["kind", "spread"].into_iter().chain(PlantParameters::SECTIONS).collect();
    let plant = root.section("plant", &known)?;
    let named = plant.as_ref().map(kinds).transpose()?.unwrap_or_default();
    if named.is_empty() && !root.has("engine") {
        let remedy = "strokes, idle_rpm and max_rpm, or [plant] with kind = \"mid-four-stroke\"";
        return Err(root.missing_section("engine", remedy));
    }
    let spread = Bounds::new(0.0, 0.9, "");
    let spread = plant.as_ref().map(|plant| Span::or(plant, "spread", spread, 0.0)).transpose()?;
    let mut named = named.into_iter();
    let first = named.next().unwrap_or_else(|| likely_kind(root));
    let first = engine(root, plant.as_ref(), first)?;
    let others = named.map(|kind| engine(root, plant.as_ref(), kind)).collect::<Result<_, _>>()?;
    Ok((Engines { first, others }, spread.unwrap_or(Span::only(0.0))))
}

fn kinds(plant: &Section<'_>) -> Result<Vec<EngineKind>, Problem> {
    let names = EngineKind::ALL.map(EngineKind::name);
    let found = match plant.value("kind").map(Spanned::get_ref) {
        None => return Ok(Vec::new()),
        Some(DeValue::Array(_)) => plant.words("kind", &names)?.unwrap_or_default(),
        Some(_) => plant.word("kind", &names)?.into_iter().collect(),
    };
    if found.is_empty() {
        return Err(plant.problem_at("kind", "plant.kind names no engine", suggest::remedy("", &names)));
    }
    Ok(found.into_iter().filter_map(EngineKind::from_name).collect())
}

/// The kind that an engine of this nameplate most likely is.
fn likely_kind(root: &Section<'_>) -> EngineKind {
    let strokes = plain_number(root, "engine", "strokes");
    match (strokes, plain_number(root, "engine", "rated_kw")) {
        (Some(strokes), _) if strokes < 3.0 => EngineKind::SmallTwoStroke,
        (_, Some(kilowatts)) if kilowatts >= LARGE_FROM_KW => EngineKind::LargeFourStroke,
        _ => EngineKind::MidFourStroke,
    }
}

fn engine(root: &Section<'_>, plant: Option<&Section<'_>>, kind: EngineKind) -> Result<Engine, Problem> {
    let refused = |error: &ParameterError| {
        let offset = error.offset.unwrap_or(0);
        root.source().problem(offset, error.cause.clone(), error.remedy.clone())
    };
    let mut overrides = plant.map(|plant| plant.table().clone()).unwrap_or_default();
    for own in ["kind", "spread"] {
        overrides.remove(own);
    }
    let mut parameters = PlantParameters::of(kind).map_err(|error| refused(&error))?;
    if !root.has("engine") {
        // The profile is written of what is there.
        parameters.apply(&overrides).map_err(|error| refused(&error))?;
    }
    let mut written = Written::default();
    written.profile(root, (!root.has("engine")).then_some(&parameters));
    let path = root.source().path;
    let profile = HostProfile::from_toml(path, &written.text).map_err(|problem| written.in_scenario(problem))?;
    if root.has("engine") {
        parameters = parameters.with_nameplate(&nameplate(root, &profile.core));
        if profile.core.electric.is_none() {
            parameters.electric.battery_ah = 0.0;
        }
        parameters.apply(&overrides).map_err(|error| refused(&error))?;
    }
    Ok(Engine { parameters, profile, profile_toml: written.text })
}

/// A profile as text, and from which line of the scenario each of its lines comes.
#[derive(Debug, Default)]
struct Written {
    text: String,
    /// `None` for lines that do not come from the scenario.
    lines: Vec<Option<u64>>,
}

impl Written {
    /// Writes what the scenario says of the engine; where `kind` is given, it fills in the sections that are missing.
    fn profile(&mut self, root: &Section<'_>, kind: Option<&PlantParameters>) {
        if let Some(name) = root.value("name") {
            self.line(root, Some(name.span().start), &format!("name = {}", value(name.get_ref())));
        }
        for section in PROFILE_SECTIONS.into_iter().filter(|section| *section != "name") {
            match (root.value(section), kind) {
                (Some(given), _) => self.given(root, section, given),
                (None, Some(parameters)) => {
                    for line in typical(section, parameters) {
                        self.line(root, None, &line);
                    }
                }
                (None, None) => {}
            }
        }
    }

    fn given(&mut self, root: &Section<'_>, name: &str, given: &Spanned<DeValue<'_>>) {
        let offset = given.span().start;
        let DeValue::Table(table) = given.get_ref() else {
            // The reader of profiles says what is wrong with it.
            self.line(root, Some(offset), &format!("{name} = {}", value(given.get_ref())));
            return;
        };
        self.line(root, Some(offset), &format!("[{name}]"));
        for (key, inner) in in_order(table) {
            let text = format!("{} = {}", bare_or_quoted(key.get_ref()), value(inner.get_ref()));
            self.line(root, Some(key.span().start), &text);
        }
    }

    fn line(&mut self, root: &Section<'_>, offset: Option<usize>, text: &str) {
        // A line of its own for each entry, so that the two files can be matched.
        let _ = writeln!(self.text, "{text}");
        self.lines.push(offset.and_then(|offset| root.source().problem(offset, "", "").line));
    }

    /// A problem of the profile, at the line of the scenario that brought it.
    fn in_scenario(&self, mut problem: Problem) -> Problem {
        let line = problem.line.and_then(|line| usize::try_from(line).ok());
        problem.line = line.and_then(|line| self.lines.get(line.saturating_sub(1)).copied().flatten());
        problem
    }
}

fn in_order<'t>(table: &'t DeTable<'t>) -> Vec<(&'t Spanned<std::borrow::Cow<'t, str>>, &'t Spanned<DeValue<'t>>)> {
    let mut entries: Vec<_> = table.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    entries
}

/// A value as TOML on one line.
fn value(given: &DeValue<'_>) -> String {
    match given {
        DeValue::String(text) => quoted(text),
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix())
            .map_or_else(|_| integer.as_str().to_owned(), |number| number.to_string()),
        DeValue::Float(float) => float.as_str().to_owned(),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(moment) => moment.to_string(),
        DeValue::Array(items) => {
            let items: Vec<_> = items.iter().map(|item| value(item.get_ref())).collect();
            format!("[{}]", items.join(", "))
        }
        DeValue::Table(table) => {
            let entry = |(key, inner): (&Spanned<std::borrow::Cow<'_, str>>, &Spanned<DeValue<'_>>)| {
                format!("{} = {}", bare_or_quoted(key.get_ref()), value(inner.get_ref()))
            };
            let entries: Vec<_> = in_order(table).into_iter().map(entry).collect();
            format!("{{ {} }}", entries.join(", "))
        }
    }
}

fn bare_or_quoted(key: &str) -> String {
    let is_bare = !key.is_empty() && key.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_".contains(&byte));
    if is_bare { key.to_owned() } else { quoted(key) }
}

fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for character in text.chars() {
        match character {
            '"' | '\\' => out.extend(['\\', character]),
            control if control.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(control));
            }
            plain => out.push(plain),
        }
    }
    out.push('"');
    out
}

/// What an installer who knows the handbook writes about an engine of the kind.
fn typical(section: &str, kind: &PlantParameters) -> Vec<String> {
    let (engine, water) = (&kind.engine, &kind.water);
    let has_thermostat = water.thermostat_opens_c > 0.0;
    let has_oil = kind.oil.hot_idle_kpa > 0.0;
    let has_battery = kind.electric.battery_ah > 0.0;
    let mut lines = vec![format!("[{section}]")];
    match section {
        "engine" => {
            lines.push(format!("strokes = {}", engine.strokes));
            lines.push(format!("cylinders = {}", engine.cylinders));
            lines.push(format!("rated_kw = {}", engine.rated_kw));
            lines.push(format!("idle_rpm = {}", engine.idle_rpm));
            lines.push(format!("rated_rpm = {}", engine.rated_rpm));
            lines.push(format!("max_rpm = {}", engine.max_rpm));
            if has_thermostat {
                lines.push(format!("thermostat_opens_c = {}", water.thermostat_opens_c));
            }
            lines.push(format!("head_limit_c = {}", engine.head_limit_c));
            if has_oil {
                lines.push(format!("oil_min_kpa = {}", kind.oil.least_kpa));
            }
        }
        "water" => {
            let before = water.telltale_before_thermostat >= 0.5;
            lines.push(format!("telltale = \"{}-thermostat\"", if before { "before" } else { "after" }));
            lines.push(format!("relief_valve = {}", water.relief_fitted >= 0.5));
            lines.push("flow_min_lpm = 0.3".to_owned());
        }
        "drive" => {
            lines.push(format!("gear_ratio = {}", kind.drive.gear_ratio));
            lines.push(format!("prop_pitch_in = {}", kind.drive.prop_pitch_in));
        }
        "electric" if has_battery => {
            lines.push(format!("nominal_v = {}", kind.electric.nominal_v));
            lines.push(format!("charging_min_v = {}", kind.electric.charging_min_v));
        }
        "channels" => {
            let mut fitted = vec!["rpm", "head", "flow", "speed", "water"];
            fitted.extend(has_battery.then_some("supply"));
            fitted.extend(has_oil.then_some("oil"));
            let fitted: Vec<_> = fitted.into_iter().map(quoted).collect();
            lines.push(format!("fitted = [{}]", fitted.join(", ")));
        }
        _ => return Vec::new(),
    }
    lines
}

/// What the scenario says of its engine. A profile that leaves the thermostat out tells of an engine without one.
fn nameplate(root: &Section<'_>, profile: &Profile) -> Nameplate {
    let thousandths = |raw: i32| f64::from(raw) / 1_000.0;
    let rpm = |rpm: Rpm| f64::from(rpm.raw()) / 4.0;
    Nameplate {
        strokes: Some(f64::from(profile.strokes)),
        cylinders: plain_number(root, "engine", "cylinders"),
        rated_kw: plain_number(root, "engine", "rated_kw").filter(|kilowatts| *kilowatts > 0.0),
        idle_rpm: Some(rpm(profile.idle)),
        rated_rpm: Some(rpm(profile.rated_or_max())),
        max_rpm: Some(rpm(profile.max)),
        thermostat_opens_c: Some(profile.thermostat_opens.map_or(0.0, |opens| thousandths(opens.raw()))),
        head_limit_c: profile.head_limit.map(|limit| thousandths(limit.raw())),
        oil_least_kpa: profile.oil_min.map(|least| thousandths(least.raw())),
        telltale_before_thermostat: match profile.telltale {
            Telltale::BeforeThermostat => Some(true),
            Telltale::AfterThermostat => Some(false),
            Telltale::Unknown => None,
        },
        relief_valve: profile.relief_valve,
        gear_ratio: plain_number(root, "drive", "gear_ratio"),
        prop_pitch_in: plain_number(root, "drive", "prop_pitch_in"),
        charging_min_v: profile.electric.map(|electric| thousandths(electric.charging_min.raw())),
    }
}

/// A finite number of the scenario; whatever else stands there is refused by the reader of profiles.
fn plain_number(root: &Section<'_>, section: &str, key: &str) -> Option<f64> {
    let DeValue::Table(table) = root.value(section)?.get_ref() else { return None };
    let text = match table.get(key)?.get_ref() {
        DeValue::Integer(integer) => integer.as_str(),
        DeValue::Float(float) => float.as_str(),
        _ => return None,
    };
    text.parse().ok().filter(|number: &f64| number.is_finite())
}
