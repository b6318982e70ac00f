//! The profile: what an installer knows of an engine, from a TOML file into the units of the core.
//!
//! Every key is checked, also those that this version does not work with yet, so that a profile that is accepted today
//! is not refused tomorrow. What nothing works with is not kept.

mod calibration;
pub(crate) mod section;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use monitor_core::acquire::{Channel, ChannelSet};
use monitor_core::calibration::Calibration;
use monitor_core::ledger::{CareItem, CarePlan, Item};
use monitor_core::profile::{Electric, Profile, ProfileError, Telltale};
use monitor_core::units::{Flow, Pressure, Quantity, Rpm, Temperature, Voltage};
use toml::de::DeTable;

use crate::problem::{Exit, Problem};
use section::{Range, Section, Source};

/// Voltage that a charging system reaches at least where the profile does not say, in millivolts: common practice.
const CHARGING_MIN_DEFAULT_MV: i32 = 13_000;
/// A profile is a page of text; anything longer is another kind of file.
const LONGEST_FILE_BYTES: u64 = 1 << 20;

/// The sections of a profile, and its name.
pub(crate) const SECTIONS: [&str; 8] =
    ["name", "engine", "water", "drive", "electric", "channels", "calibration", "care"];
const ENGINE_KEYS: [&str; 9] = [
    "strokes",
    "cylinders",
    "rated_kw",
    "idle_rpm",
    "rated_rpm",
    "max_rpm",
    "thermostat_opens_c",
    "head_limit_c",
    "oil_min_kpa",
];
const WATER_KEYS: [&str; 3] = ["telltale", "relief_valve", "flow_min_lpm"];
const RPM: Range = Range::new(1, 30_000, 4, "rpm");
const CELSIUS: Range = Range::new(-40, 200, 1_000, "°C");
const KILOPASCALS: Range = Range::new(1, 2_000, 1_000, "kPa");
const LITRES_PER_MINUTE: Range = Range::new(0, 1_000, 1_000, "L/min");
const VOLTS: Range = Range::new(6, 20, 1_000, "V");
const THOUSANDTHS: Range = Range::new(0, 100, 1_000, "");
const CARE_HOURS: Range = Range::new(0, 100_000, 1, "hours");
const CARE_MONTHS: Range = Range::new(0, 1_200, 1, "months");

/// A profile as the host knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HostProfile {
    /// What the boat is called.
    pub name: Option<String>,
    /// The part that the core works with.
    pub core: Profile,
    /// What was measured at the sensors. Only a board works with it: the values of a trace are calibrated already.
    pub calibration: Calibration,
    /// What is to be serviced when, in the order of the file.
    pub care: CarePlan,
    /// Values that are not in the file and that something else stands for.
    pub assumed: Vec<Assumed>,
}

/// A value that is not in the profile and what stands for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Assumed {
    /// No `rated_rpm`: `max_rpm` stands for it.
    RatedRpm,
    /// No `head_limit_c`: common practice stands for it.
    HeadLimit,
    /// `[electric]` without `charging_min_v`: common practice stands for it.
    ChargingMin,
    /// No `[channels]`: every channel counts as fitted.
    Fitted,
}

impl HostProfile {
    /// Reads a profile.
    ///
    /// # Errors
    /// A file that cannot be read, is not TOML, holds an unknown key or an unusable value, or contradicts itself: exit
    /// code 2, with file, line, cause and remedy.
    pub fn load(path: &Path) -> Result<Self, Problem> {
        Self::from_toml(path, &read_small_text(path, "profile")?)
    }

    /// Reads a profile from the text of the file `path`.
    ///
    /// # Errors
    /// As [`HostProfile::load`].
    pub fn from_toml(path: &Path, text: &str) -> Result<Self, Problem> {
        let source = Source { path, text };
        let document = DeTable::parse(text).map_err(|error| {
            let offset = error.span().map_or(0, |span| span.start);
            let cause = format!("The profile is not valid TOML: {}", error.message().replace('\n', ", "));
            source.problem(offset, cause, "Correct this line; each line is `key = value`, a [section] or a # comment")
        })?;
        let root = Section::root(source, document.get_ref(), &SECTIONS)?;
        let name = root.text("name")?.map(str::to_owned);
        let Some(engine) = root.section("engine", &ENGINE_KEYS)? else {
            return Err(root.missing_section("engine", "strokes, idle_rpm and max_rpm"));
        };
        let mut core = read_engine(&engine)?;
        read_water(&root, &mut core)?;
        read_drive(&root, &mut core)?;
        let charging_min_assumed = read_electric(&root, &mut core)?;
        let fitted = read_fitted(&root)?;
        core.fitted = fitted.unwrap_or(ChannelSet::ALL);
        let care = read_care(&root)?;
        core.validate().map_err(|error| contradiction(&root, &engine, error))?;
        // Last: its bounds are those of an engine that can be.
        let calibration = calibration::read(&root, &core)?;
        let assumed = [
            (core.rated.is_none(), Assumed::RatedRpm),
            (core.head_limit.is_none() && core.fitted.contains(Channel::Head), Assumed::HeadLimit),
            (charging_min_assumed, Assumed::ChargingMin),
            (fitted.is_none(), Assumed::Fitted),
        ];
        let assumed = assumed.into_iter().filter_map(|(is_assumed, what)| is_assumed.then_some(what)).collect();
        Ok(Self { name, core, calibration, care, assumed })
    }
}

/// Reads a whole small text file that the user wrote.
pub(crate) fn read_small_text(path: &Path, what: &str) -> Result<String, Problem> {
    let unusable = |cause: String, remedy: &str| Problem::new(Exit::Usage, cause, remedy).in_file(path);
    let mut bytes = Vec::new();
    File::open(path).and_then(|file| file.take(LONGEST_FILE_BYTES + 1).read_to_end(&mut bytes)).map_err(|error| {
        unusable(format!("The {what} cannot be read: {error}"), "Check the path and who may read it")
    })?;
    if u64::try_from(bytes.len()).is_ok_and(|length| length > LONGEST_FILE_BYTES) {
        return Err(unusable(format!("The {what} is longer than 1 MiB"), "Check that the right file was given"));
    }
    let text = String::from_utf8(bytes)
        .map_err(|_| unusable(format!("The {what} is not UTF-8 text"), "Save it as UTF-8 text and try again"))?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

fn read_engine(engine: &Section<'_>) -> Result<Profile, Problem> {
    let strokes = engine.whole("strokes", Range::new(2, 4, 1, ""))?.ok_or_else(|| engine.missing("strokes", "4"))?;
    let idle = quantity::<Rpm>(engine, "idle_rpm", RPM)?.ok_or_else(|| engine.missing("idle_rpm", "750"))?;
    let max = quantity::<Rpm>(engine, "max_rpm", RPM)?.ok_or_else(|| engine.missing("max_rpm", "6000"))?;
    let mut core = Profile::new(u8::try_from(strokes).unwrap_or(0), idle, max);
    engine.whole("cylinders", Range::new(1, 16, 1, "cylinders"))?;
    engine.number("rated_kw", Range::new(0, 1_000, 1_000, "kW"))?;
    core.rated = quantity(engine, "rated_rpm", RPM)?;
    core.thermostat_opens = quantity::<Temperature>(engine, "thermostat_opens_c", CELSIUS)?;
    core.head_limit = quantity::<Temperature>(engine, "head_limit_c", CELSIUS)?;
    core.oil_min = quantity::<Pressure>(engine, "oil_min_kpa", KILOPASCALS)?;
    Ok(core)
}

fn read_water(root: &Section<'_>, core: &mut Profile) -> Result<(), Problem> {
    let Some(water) = root.section("water", &WATER_KEYS)? else { return Ok(()) };
    core.telltale = match water.word("telltale", &["before-thermostat", "after-thermostat", "unknown"])? {
        Some("before-thermostat") => Telltale::BeforeThermostat,
        Some("after-thermostat") => Telltale::AfterThermostat,
        _ => Telltale::Unknown,
    };
    core.relief_valve = water.flag("relief_valve")?;
    core.flow_min = quantity::<Flow>(&water, "flow_min_lpm", LITRES_PER_MINUTE)?;
    Ok(())
}

fn read_drive(root: &Section<'_>, core: &mut Profile) -> Result<(), Problem> {
    let Some(drive) = root.section("drive", &["gear_ratio", "prop_pitch_in"])? else { return Ok(()) };
    for (key, place) in [("gear_ratio", &mut core.gear_ratio_milli), ("prop_pitch_in", &mut core.prop_pitch_milli_inch)]
    {
        let Some(thousandths) = drive.number(key, THOUSANDTHS)? else { continue };
        if thousandths == 0 {
            let cause = format!("{} must be above 0", drive.joined(key));
            return Err(drive.problem_at(key, cause, "Give the number from the handbook, or leave the line out"));
        }
        *place = u32::try_from(thousandths).ok();
    }
    Ok(())
}

/// Returns whether `charging_min_v` had to be assumed.
fn read_electric(root: &Section<'_>, core: &mut Profile) -> Result<bool, Problem> {
    let Some(electric) = root.section("electric", &["nominal_v", "charging_min_v"])? else { return Ok(false) };
    if electric.number("nominal_v", Range::new(1, 1_000, 1_000, "V"))?.is_some_and(|millivolts| millivolts != 12_000) {
        let cause = "electric.nominal_v is not 12";
        let remedy = "Only 12 V systems can be watched: leave the section [electric] out for any other";
        return Err(electric.problem_at("nominal_v", cause, remedy));
    }
    let charging_min = quantity::<Voltage>(&electric, "charging_min_v", VOLTS)?;
    core.electric =
        Some(Electric { charging_min: charging_min.unwrap_or(Voltage::from_millivolts(CHARGING_MIN_DEFAULT_MV)) });
    Ok(charging_min.is_none())
}

fn read_fitted(root: &Section<'_>) -> Result<Option<ChannelSet>, Problem> {
    let Some(channels) = root.section("channels", &["fitted"])? else { return Ok(None) };
    let Some(names) = channels.words("fitted", &Channel::ALL.map(Channel::name))? else { return Ok(None) };
    let fitted = names.into_iter().filter_map(Channel::from_name).fold(ChannelSet::EMPTY, ChannelSet::with);
    Ok(Some(fitted))
}

fn read_care(root: &Section<'_>) -> Result<CarePlan, Problem> {
    let Some(care) = root.section("care", &Item::ALL.map(Item::name))? else { return Ok(CarePlan::NONE) };
    let mut plan = CarePlan::NONE;
    for name in care.keys() {
        let Some(section) = care.section(name, &["hours", "months", "run_in_hours"])? else { continue };
        let number = |key, range| Ok::<_, Problem>(section.number(key, range)?.unwrap_or(0).unsigned_abs());
        let hours = number("hours", CARE_HOURS)?;
        let months = number("months", CARE_MONTHS)?;
        let run_in_hours = number("run_in_hours", CARE_HOURS)?;
        if hours == 0 && months == 0 {
            let cause = format!("{} has neither hours nor months above 0", care.joined(name));
            return Err(care.problem_at(name, cause, format!("Write {name} = {{ hours = 100, months = 12 }}")));
        }
        let Some(item) = Item::from_name(name) else { continue };
        let months = u16::try_from(months).unwrap_or(u16::MAX);
        plan = plan.with(&CareItem { item, hours, months, run_in_hours, done: None });
    }
    Ok(plan)
}

fn quantity<Q: Quantity>(section: &Section<'_>, key: &str, range: Range) -> Result<Option<Q>, Problem> {
    Ok(section.number(key, range)?.map(Q::from_raw))
}

fn above_zero(section: &Section<'_>, key: &str, range: Range) -> Result<(), Problem> {
    if section.number(key, range)?.is_some_and(|steps| steps <= 0) {
        let cause = format!("{} must be above 0", section.joined(key));
        return Err(section.problem_at(key, cause, "Correct it, or leave the line out"));
    }
    Ok(())
}

/// The line to mend where the values do not fit together.
fn contradiction(root: &Section<'_>, engine: &Section<'_>, error: ProfileError) -> Problem {
    let from_handbook = "Take both values from the engine's handbook";
    let (key, remedy) = match error {
        ProfileError::Strokes => ("strokes", "Write strokes = 2 or strokes = 4"),
        ProfileError::IdleNotPositive => ("idle_rpm", from_handbook),
        ProfileError::RatedNotAboveIdle => ("rated_rpm", from_handbook),
        ProfileError::MaxTooLow => ("max_rpm", from_handbook),
        ProfileError::ThermostatAboveLimit => ("thermostat_opens_c", from_handbook),
        ProfileError::FlowMinNotPositive => {
            let remedy = "Give the meter's own minimum, such as 0.3, or leave the line out";
            return elsewhere(root, ("water", &WATER_KEYS, "flow_min_lpm"), error, remedy);
        }
        ProfileError::RpmNotFitted => {
            let remedy = "Add \"rpm\": nothing works without engine speed";
            return elsewhere(root, ("channels", &["fitted"], "fitted"), error, remedy);
        }
        _ => ("strokes", from_handbook),
    };
    engine.problem_at(key, error.to_string(), remedy)
}

/// A contradiction at a key of another section than the engine's: `(section, its keys, key)`.
fn elsewhere(root: &Section<'_>, place: (&str, &[&str], &str), error: ProfileError, remedy: &str) -> Problem {
    let (name, keys, key) = place;
    match root.section(name, keys) {
        Ok(Some(section)) => section.problem_at(key, error.to_string(), remedy),
        _ => root.problem_at(name, error.to_string(), remedy),
    }
}

#[cfg(test)]
mod tests;
