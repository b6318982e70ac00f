//! Step and error of each channel, computed from divider, converter and curve.
//!
//! The error of the sensor itself and of its fitted curve is not in it: that is what `fit` says.

use monitor_core::acquire::adc::Resistance;
use monitor_core::acquire::temperature::ntc::{NtcCurve, NtcTable, SteinhartHart};
use monitor_core::calibration::{HeadCalibration, HeadSensor, THERMISTOR_ROWS};
use monitor_core::units::{Rpm, Temperature};

use super::{Board, Place};
use crate::fit::Remark;
use crate::fit::thermistor::{BETA_MODEL_ERROR_K, resistance_at};
use crate::profile::HostProfile;

/// Flows of telltales in L/min besides the meter's own minimum (from memory, low confidence).
const FLOWS_LPM: [f64; 2] = [1.0, 6.0];
/// What a charging system and a flat battery show, in volts.
const SUPPLY_V: [f64; 2] = [12.0, 14.4];
/// Temperatures of a head from a cold start to an overheat besides its own limit, in °C.
const HEAD_C: [f64; 4] = [0.0, 20.0, 60.0, 120.0];
/// A head that is told apart no finer than this, in kelvin, anywhere up to 120 °C makes forecasts late.
const COARSE_STEP_K: f64 = 1.0;
/// Platinum: R = R0 (1 + A t + B t²) from 0 °C (IEC 60751).
const PLATINUM: (f64, f64) = (3.908_3e-3, -5.775e-7);

/// Every channel that has a calibration, and what is wrong with it on this board.
pub(super) fn of(profile: &HostProfile, board: &Board) -> (Vec<Place>, Vec<Remark>) {
    let (mut places, mut remarks) = (Vec::new(), Vec::new());
    rpm(profile, &mut places);
    head(profile, board, &mut places, &mut remarks);
    flow(profile, &mut places);
    supply(profile, board, &mut places, &mut remarks);
    (places, remarks)
}

fn rpm(profile: &HostProfile, places: &mut Vec<Place>) {
    let Ok(Some(meter)) = profile.calibration.tachometer(&profile.core) else { return };
    let ratio = meter.pulses_per_revolution();
    let pulses = f64::from(ratio.pulses()) / f64::from(ratio.revolutions());
    let stop_s = f64::from(meter.time_out_us()) / 1e6;
    for speed in [profile.core.idle, profile.core.max] {
        let rpm = whole(speed);
        let hertz = rpm / 60.0 * pulses;
        let signal = format!("{hertz:.1} Hz, a stop shows after {} s", super::decimals(stop_s));
        // Readings are in quarters.
        places.push(Place { channel: "rpm", at: rpm, unit: "rpm", signal, step: 0.25, error: None, step_unit: "rpm" });
    }
}

fn whole(speed: Rpm) -> f64 {
    f64::from(speed.as_quarter_rpm()) / 4.0
}

fn flow(profile: &HostProfile, places: &mut Vec<Place>) {
    let (Ok(Some(meter)), Some(pulses)) = (profile.calibration.flow_meter(&profile.core), profile.calibration.flow)
    else {
        return;
    };
    let per_litre = f64::from(pulses.per_litre_milli) / 1_000.0;
    let offset = f64::from(pulses.offset_millihertz) / 1_000.0;
    let lost_s = f64::from(meter.time_out_us()) / 1e6;
    let least = f64::from(profile.core.flow_min_or_default().as_millilitres_per_minute()) / 1_000.0;
    for at in [least].into_iter().chain(FLOWS_LPM.into_iter().filter(|at| *at > least)) {
        let hertz = per_litre * at / 60.0 + offset;
        let signal = format!("{hertz:.1} Hz, no water after {} s", super::decimals(lost_s));
        // Readings are in millilitres a minute.
        places.push(Place { channel: "flow", at, unit: "L/min", signal, step: 0.001, error: None, step_unit: "L/min" });
    }
}

fn supply(profile: &HostProfile, board: &Board, places: &mut Vec<Place>, remarks: &mut Vec<Remark>) {
    let Some(ratio) = profile.calibration.supply else { return };
    if let Err(error) = profile.calibration.supply_input(board.scale, board.reference_mv) {
        remarks.push(Remark::new("supply-range", format!("calibration.supply on this board: {error}.")));
        return;
    }
    let ratio = f64::from(ratio.as_millionths()) / 1e6;
    let reference_v = f64::from(board.reference_mv) / 1_000.0;
    for at in SUPPLY_V {
        let pin = at / ratio;
        let signal = format!("{pin:.3} V, count {:.0}", pin / reference_v * board.full_scale());
        let step = reference_v * ratio / board.full_scale();
        // Both resistors out in opposite ways: d(ratio)/ratio = (ratio - 1)/ratio · 2 tolerance.
        let error = Some(at * (ratio - 1.0) / ratio * 2.0 * board.tolerance);
        places.push(Place { channel: "supply", at, unit: "V", signal, step, error, step_unit: "V" });
    }
}

fn head(profile: &HostProfile, board: &Board, places: &mut Vec<Place>, remarks: &mut Vec<Remark>) {
    let Some(head) = profile.calibration.head else { return };
    let Some(curve) = Curve::of(&head) else { return };
    if let Err(error) = head.resistive(board.scale, board.pull_up) {
        remarks.push(Remark::new("head-range", format!("calibration.head on this board: {error}.")));
        return;
    }
    let pull_up = f64::from(head.pull_up.unwrap_or(board.pull_up).as_milliohms()) / 1_000.0;
    let limit = profile.core.head_limit.map(|limit| f64::from(Temperature::as_millicelsius(limit)) / 1_000.0);
    let mut temperatures: Vec<f64> = HEAD_C.into_iter().chain(limit).collect();
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    for at in temperatures {
        // Beyond the end of a table nothing is known.
        let Some((ohm, kelvin_per_share)) = curve.at(at) else { continue };
        let pin = ohm / (ohm + pull_up);
        let signal = format!("{} ohm, count {:.0}", super::decimals(ohm), pin * board.full_scale());
        // R = pull-up · x / (1 - x) with x = counts / full scale, so dR/R of a count is 1 / (x (1 - x) full scale).
        let step = kelvin_per_share / (pin * (1.0 - pin) * board.full_scale());
        let error = Some(kelvin_per_share * board.tolerance + curve.model_error_k);
        places.push(Place { channel: "head", at, unit: "°C", signal, step, error, step_unit: "K" });
    }
    let heads = places.iter().filter(|place| place.channel == "head");
    if let Some(place) = heads.max_by(|a, b| a.step.total_cmp(&b.step)).filter(|place| place.step > COARSE_STEP_K) {
        let text = format!(
            "At {:.0} °C one count of the head's converter is {:.1} K: choose a resistor nearer to what the sensor has there \
             ({}).",
            place.at, place.step, place.signal
        );
        remarks.push(Remark::new("coarse-head", text));
    }
}

/// A resistive sensor both ways.
struct Curve {
    sensor: Sensor,
    model_error_k: f64,
}

enum Sensor {
    Coefficients(SteinhartHart),
    Table(Box<NtcTable<THERMISTOR_ROWS>>),
    Platinum(f64),
}

impl Curve {
    fn of(head: &HeadCalibration) -> Option<Self> {
        let (sensor, model_error_k) = match head.sensor {
            HeadSensor::SteinhartHart(curve) => (Sensor::Coefficients(curve), 0.0),
            HeadSensor::Beta { at_25_celsius, beta_centikelvin } => {
                let curve = SteinhartHart::from_beta(at_25_celsius, beta_centikelvin).ok()?;
                (Sensor::Coefficients(curve), BETA_MODEL_ERROR_K)
            }
            HeadSensor::Table(table) => (Sensor::Table(Box::new(NtcTable::from_slice(table.rows()).ok()?)), 0.0),
            HeadSensor::Pt100 => (Sensor::Platinum(100.0), 0.0),
            HeadSensor::Pt1000 => (Sensor::Platinum(1_000.0), 0.0),
            HeadSensor::ThermocoupleK | HeadSensor::OneWire => return None,
        };
        Some(Self { sensor, model_error_k })
    }

    /// Resistance in Ω at this temperature in °C, and the kelvin that a change of it by its own size would be;
    /// `None` beyond the curve.
    fn at(&self, celsius: f64) -> Option<(f64, f64)> {
        match &self.sensor {
            Sensor::Coefficients(curve) => of_thermistor(curve, celsius),
            Sensor::Table(table) => of_thermistor(table.as_ref(), celsius),
            Sensor::Platinum(at_zero) => {
                let (a, b) = PLATINUM;
                let ohm = at_zero * (1.0 + a * celsius + b * celsius * celsius);
                Some((ohm, ohm / (at_zero * (a + 2.0 * b * celsius))))
            }
        }
    }
}

fn of_thermistor(curve: &impl NtcCurve, celsius: f64) -> Option<(f64, f64)> {
    let ohm = resistance_at(curve, celsius);
    // Wide enough that the core's whole millidegrees do not matter.
    let share = 1.0 + 0.02;
    let at = |ohm: f64| curve.temperature(Resistance::from_milliohms(milliohms(ohm)));
    let (colder, hotter) = (at(ohm * share).ok()?, at(ohm / share).ok()?);
    let difference = f64::from(hotter.as_millicelsius() - colder.as_millicelsius()) / 1_000.0;
    Some((ohm, difference / (2.0 * share.ln())))
}

fn milliohms(ohm: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "saturates")]
    let milliohms = (ohm * 1_000.0).round() as u32;
    milliohms
}
