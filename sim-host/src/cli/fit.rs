//! What `fit` is given.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use crate::fit::{flow, tacho, thermistor};

/// Ends the help of each command.
macro_rules! with_exit_codes {
    ($about:literal) => {
        concat!(
            $about,
            "\
Exit codes:
  0  done, also with remarks
  2  usage, points or profile unusable
  4  an output that cannot be written"
        )
    };
}

const THERMISTOR_POINTS: &str = with_exit_codes!(
    "\
POINTS is a CSV file, - for standard input, # for comments. Its header names the
units: temp_c, temp_f or temp_k; ohm or kohm. An example:
  temp_c,ohm
  0.0,32650
  60.0,2488
  95.0,790

"
);

const FLOW_POINTS: &str = with_exit_codes!(
    "\
POINTS is a CSV file, - for standard input, # for comments. Its header names the
units: pulses; litres, ml, gal (US) or kg; seconds or minutes where known. Or
hz,lpm where another meter shows the flow. An example:
  pulses,litres,seconds
  4395,10.0,652
  4448,10.0,212
  4471,10.0,101

"
);

const TACHO_POINTS: &str = with_exit_codes!(
    "\
POINTS is a CSV file, - for standard input, # for comments. Its header names the
units: rpm by another instrument, and hz; or pulses and seconds; or shown_rpm,
what the monitor showed with the pulses of --profile. An example:
  rpm,hz
  760,75.7
  4020,400.9

"
);

/// The commands of `fit`.
#[derive(Debug, Subcommand)]
pub enum FitCommand {
    /// Fits a thermistor's curve to temperatures and resistances.
    #[command(after_help = THERMISTOR_POINTS)]
    Thermistor {
        /// Points, profile and format.
        #[command(flatten)]
        common: FitArgs,
        /// What the thermometer may be out by, in kelvin
        #[arg(long, value_name = "K", default_value_t = thermistor::THERMOMETER_ERROR_K, value_parser = above_zero)]
        thermometer_error: f64,
        /// What the ohmmeter may be out by, in per cent
        #[arg(long, value_name = "PERCENT", default_value_t = thermistor::OHMMETER_ERROR_PERCENT, value_parser = above_zero)]
        ohmmeter_error: f64,
        /// The resistor between pin and reference, in ohms, to stand in the lines
        #[arg(long, value_name = "OHM", value_parser = above_zero)]
        pull_up: Option<f64>,
    },
    /// Fits the pulses of a flow meter to buckets of water.
    #[command(after_help = FLOW_POINTS)]
    Flow {
        /// Points, profile and format.
        #[command(flatten)]
        common: FitArgs,
        /// What the measured water may be out by, in litres
        #[arg(long, value_name = "L", default_value_t = flow::WATER_ERROR_L, value_parser = above_zero)]
        water_error: f64,
    },
    /// Fits the pulses of a revolution to speeds by another instrument.
    #[command(after_help = TACHO_POINTS)]
    Tacho {
        /// Points, profile and format.
        #[command(flatten)]
        common: FitArgs,
        /// What the other instrument may be out by, in rpm
        #[arg(long, value_name = "RPM", default_value_t = tacho::REFERENCE_ERROR_RPM, value_parser = above_zero)]
        reference_error: f64,
    },
    /// Says what a careful installer would ask about a profile, and what each channel can resolve.
    #[command(after_help = with_exit_codes!(""))]
    Check(CheckArgs),
    /// Anything else that stands in the place of a command.
    #[command(external_subcommand)]
    Other(Vec<OsString>),
}

/// What every fit is given.
#[derive(Debug, Args)]
pub struct FitArgs {
    /// The measured points (CSV), - for standard input
    #[arg(value_name = "POINTS")]
    pub points: PathBuf,
    /// The profile that the lines are for: its calibration is compared, its limits give the working range
    #[arg(long, value_name = "P")]
    pub profile: Option<PathBuf>,
    /// A page to read, or one JSON object
    #[arg(long, value_enum, default_value_t = FitFormat::Text)]
    pub format: FitFormat,
    /// Print only the lines for the profile on standard output; the page goes to standard error
    #[arg(long, conflicts_with = "format")]
    pub write: bool,
}

/// What `fit check` is given.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// The profile (TOML)
    #[arg(value_name = "PROFILE")]
    pub profile: PathBuf,
    /// Bits of the board's converter
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u8).range(8..=24))]
    pub adc_bits: u8,
    /// Voltage at a pin that gives the full scale, in mV
    #[arg(long, value_name = "MV", default_value_t = 3_300, value_parser = clap::value_parser!(u32).range(500..=10_000))]
    pub reference_mv: u32,
    /// The board's resistor to the reference, in ohms, where the profile names none
    #[arg(long, value_name = "OHM", default_value_t = 10_000, value_parser = clap::value_parser!(u32).range(1..=2_000_000))]
    pub pull_up: u32,
    /// Tolerance of the board's resistors, in per cent
    #[arg(long, value_name = "PERCENT", default_value_t = 1.0, value_parser = above_zero)]
    pub resistor_tolerance: f64,
    /// A page to read, or one JSON object
    #[arg(long, value_enum, default_value_t = FitFormat::Text)]
    pub format: FitFormat,
}

/// How a fit or a check is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FitFormat {
    /// For people.
    Text,
    /// For programs.
    Json,
}

fn above_zero(text: &str) -> Result<f64, String> {
    let number = text.parse::<f64>().ok().filter(|number| number.is_finite() && *number > 0.0 && *number < 1e6);
    number.ok_or_else(|| "a number above 0 is wanted".to_owned())
}
