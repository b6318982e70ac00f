//! Charts as SVG that stands in a page: lines and steps, told apart by dash and label as well as by shade.

use plotters::prelude::*;

/// Width of a chart in pixels.
const WIDTH: u32 = 720;
const INK: RGBColor = RGBColor(34, 34, 34);
const FAINT: RGBColor = RGBColor(215, 215, 215);

/// One line of a chart.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Line {
    /// What it shows, written at its end; empty for a mark.
    pub(crate) label: String,
    /// Dashed, for what stands beside.
    pub(crate) dashed: bool,
    /// Its points, by rising x.
    pub(crate) points: Vec<(f64, f64)>,
}

/// A chart with its axes.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Chart {
    /// What runs to the right, with its unit.
    pub(crate) x: String,
    /// What runs up, with its unit.
    pub(crate) y: String,
    /// Ends of the axis to the right.
    pub(crate) x_range: (f64, f64),
    /// Ends of the axis up.
    pub(crate) y_range: (f64, f64),
    /// The lines.
    pub(crate) lines: Vec<Line>,
    /// Height in pixels.
    pub(crate) height: u32,
}

impl Chart {
    /// The chart as an SVG element; empty where there is nothing to show or it cannot be drawn.
    #[must_use]
    pub(crate) fn to_svg(&self) -> String {
        let mut svg = String::new();
        if self.lines.iter().all(|line| line.points.is_empty()) {
            return svg;
        }
        if self.draw(&mut svg).is_err() {
            return String::new();
        }
        svg
    }

    fn draw(&self, svg: &mut String) -> Result<(), DrawingAreaErrorKind<std::io::Error>> {
        let area = SVGBackend::with_string(svg, (WIDTH, self.height)).into_drawing_area();
        let small = ("sans-serif", 13).into_font().color(&INK);
        let mut chart = ChartBuilder::on(&area)
            .margin(8)
            .margin_right(150)
            .x_label_area_size(38)
            .y_label_area_size(52)
            .build_cartesian_2d(self.x_range.0..self.x_range.1, self.y_range.0..self.y_range.1)?;
        chart
            .configure_mesh()
            .x_desc(self.x.as_str())
            .y_desc(self.y.as_str())
            .x_label_formatter(&tick_label)
            .y_label_formatter(&tick_label)
            .axis_style(INK)
            .light_line_style(TRANSPARENT)
            .bold_line_style(FAINT)
            .label_style(small.clone())
            .draw()?;
        for (index, line) in self.lines.iter().enumerate() {
            let style = shade(index).stroke_width(2);
            if line.dashed {
                let dashes = DashedLineSeries::new(line.points.iter().copied(), 6, 4, style);
                chart.draw_series(dashes)?;
            } else {
                chart.draw_series(LineSeries::new(line.points.iter().copied(), style))?;
            }
        }
        for (label, at) in self.label_places() {
            // To the right of the axis, and up by half the height of a letter.
            let text = EmptyElement::at(at) + Text::new(label, (6, -7), small.clone());
            chart.draw_series(std::iter::once(text))?;
        }
        area.present()
    }

    /// Labels at the ends of their lines, moved apart where they would stand on each other.
    fn label_places(&self) -> Vec<(String, (f64, f64))> {
        // A letter with its leading takes 15 pixels; the axis below some 50.
        let least = (self.y_range.1 - self.y_range.0) * 15.0 / f64::from(self.height.saturating_sub(50).max(1));
        let named = self.lines.iter().filter(|line| !line.label.is_empty());
        let ends = named.filter_map(|line| Some((line.label.clone(), line.points.last()?.1)));
        let mut ends: Vec<(String, f64)> = ends.collect();
        ends.sort_by(|one, other| one.1.total_cmp(&other.1));
        let mut below = f64::NEG_INFINITY;
        let mut places = Vec::with_capacity(ends.len());
        for (label, at) in ends {
            below = at.max(below + least);
            places.push((label, (self.x_range.1, below)));
        }
        places
    }
}

/// A number at an axis, without the dust of binary fractions.
fn tick_label(number: &f64) -> String {
    ((number * 1_000.0).round() / 1_000.0).to_string()
}

/// Shades that differ in print as well.
const fn shade(index: usize) -> RGBColor {
    match index % 4 {
        0 => RGBColor(20, 60, 110),
        1 => RGBColor(150, 75, 20),
        2 => RGBColor(90, 90, 90),
        _ => RGBColor(60, 120, 80),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chart(lines: Vec<Line>) -> Chart {
        Chart {
            x: "seconds".to_owned(),
            y: "% found".to_owned(),
            x_range: (0.0, 100.0),
            y_range: (0.0, 100.0),
            lines,
            height: 300,
        }
    }

    #[test]
    fn a_chart_bears_its_axes_and_the_names_of_its_lines() {
        let line =
            |label: &str, dashed| Line { label: label.to_owned(), dashed, points: vec![(0.0, 0.0), (90.0, 80.0)] };
        let svg = chart(vec![line("monitor <all>", false), line("baseline", true)]).to_svg();
        for part in ["<svg", "seconds", "% found", "monitor &lt;all&gt;", "baseline", "</svg>"] {
            assert!(svg.contains(part), "{part}: {svg}");
        }
        assert!(!svg.contains("<script") && !svg.contains("http://www.w3.org/1999"), "nothing from outside");
    }

    #[test]
    fn nothing_to_show_is_no_chart() {
        assert_eq!(chart(Vec::new()).to_svg(), "");
    }

    #[test]
    fn names_do_not_stand_on_each_other() {
        let line = |label: &str, at| Line { label: label.to_owned(), dashed: false, points: vec![(0.0, at)] };
        let places = chart(vec![line("a", 50.0), line("", 49.0), line("b", 50.0), line("c", 10.0)]).label_places();
        let heights: Vec<f64> = places.iter().map(|(_, (_, y))| *y).collect();
        assert_eq!(heights, [10.0, 50.0, 56.0]);
    }
}
