//! Whatever numbers the points hold: no crash, no hang, no number that is none.

use std::path::Path;

use proptest::prelude::*;

use super::points::{self, Column, Points};
use super::{Known, Report, flow, tacho, thermistor};
use crate::problem::Problem;

/// Numbers as people mistype them: of every size, zero, negative.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(0.0),
        -100.0..400.0_f64,
        (-7.0..10.0_f64).prop_map(|power| 10_f64.powf(power)),
        (0_i32..10_000).prop_map(f64::from),
    ]
}

fn file(header: &str, columns: usize, rows: &[Vec<f64>]) -> String {
    let mut text = format!("{header}\n");
    for row in rows {
        let cells: Vec<_> = row.iter().take(columns).map(f64::to_string).collect();
        text += &format!("{}\n", cells.join(","));
    }
    text
}

fn fit(header: &str, columns: usize, known: &[Column], rows: &[Vec<f64>]) -> Result<Report, Problem> {
    let points = Points::parse(Path::new("p.csv"), &file(header, columns, rows), known, header)?;
    match header {
        "temp_c,ohm" => thermistor::fit_points(&points, &Known::default(), thermistor::Instruments::default(), None),
        "rpm,hz" => tacho::fit_points(&points, &Known::default(), tacho::REFERENCE_ERROR_RPM),
        _ => flow::fit_points(&points, &Known::default(), flow::WATER_ERROR_L),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn any_points_give_a_report_of_finite_numbers_or_a_problem(
        rows in prop::collection::vec(prop::collection::vec(number(), 3), 1..8)
    ) {
        let cases: [(&str, usize, &[Column]); 5] = [
            ("temp_c,ohm", 2, &points::THERMISTOR),
            ("pulses,litres,seconds", 3, &points::FLOW),
            ("pulses,litres", 2, &points::FLOW),
            ("hz,lpm", 2, &points::FLOW),
            ("rpm,hz", 2, &points::TACHO),
        ];
        for (header, columns, known) in cases {
            let Ok(report) = fit(header, columns, known, &rows) else { continue };
            let numbers = report.parameters.iter().flat_map(|parameter| [Some(parameter.value), parameter.half_width]);
            let numbers = numbers.flatten().chain(report.band.iter().map(|band| band.half_width));
            for number in numbers.chain(report.points.iter().flat_map(|point| [point.fitted, point.off])) {
                prop_assert!(number.is_finite(), "{header}: {report:?}");
            }
            prop_assert!(super::text::to_text(&report).contains("Lines for the profile:"));
        }
    }
}
