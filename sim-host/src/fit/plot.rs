//! How far each point is off, drawn in plain signs for a terminal.

use super::{Band, Report, text::signed};

const COLUMNS: usize = 56;
/// Odd, so that there is a line for nothing off.
const ROWS: usize = 9;

/// The points over the working range between the edges of the error band; empty where the points have no place on it.
pub(super) fn draw(report: &Report) -> String {
    let points: Vec<_> = report.points.iter().filter_map(|point| Some((point.at?, point.off, point.used))).collect();
    let along = || points.iter().map(|point| point.0).chain(report.band.iter().map(|band| band.at));
    let (least, most) = along().fold((f64::MAX, f64::MIN), |(least, most), at| (least.min(at), most.max(at)));
    if points.is_empty() || most <= least {
        return String::new();
    }
    let widest = report.band.iter().map(|band| band.half_width);
    let extent = points.iter().map(|point| point.1.abs()).chain(widest).fold(f64::MIN_POSITIVE, f64::max);
    let mut grid = vec![vec![' '; COLUMNS]; ROWS];
    grid[ROWS / 2].fill('-');
    let mut put = |at: f64, off: f64, sign: char| {
        let column = scaled((at - least) / (most - least), COLUMNS);
        let row = scaled((extent - off) / (2.0 * extent), ROWS);
        grid[row][column] = sign;
    };
    for column in 0..=COLUMNS {
        let share = f64::from(u32::try_from(column).unwrap_or(0)) / f64::from(u32::try_from(COLUMNS).unwrap_or(1));
        let at = least + share * (most - least);
        if let Some(edge) = edge(&report.band, at) {
            put(at, edge, '.');
            put(at, -edge, '.');
        }
    }
    for (at, off, used) in points {
        put(at, off, if used { 'o' } else { 'x' });
    }
    let label = |row: usize| match row {
        0 => signed(extent, 1),
        _ if row == ROWS / 2 => "0".to_owned(),
        _ if row == ROWS - 1 => signed(-extent, 1),
        _ => String::new(),
    };
    let rows = grid.iter().enumerate().map(|(row, signs)| {
        let signs: String = signs.iter().collect();
        format!("  {:>7} |{}", label(row), signs.trim_end()).trim_end().to_owned() + "\n"
    });
    let places = report.axis.along_places;
    let (left, right) = (format!("{least:.places$}"), format!("{most:.places$} {}", report.axis.along));
    let gap = COLUMNS.saturating_sub(left.chars().count() + right.chars().count());
    let legend = format!("  off in {}: o point, x left out, . edge of the error left\n", report.off_unit);
    legend + &rows.collect::<String>() + &format!("{:11}{left}{}{right}\n", "", " ".repeat(gap))
}

/// Half the width of the band at a place between two of it, straight from the one to the other.
fn edge(bands: &[Band], at: f64) -> Option<f64> {
    bands.windows(2).find_map(|pair| {
        let [left, right] = pair else { return None };
        let share = (at - left.at) / (right.at - left.at);
        (0.0..=1.0).contains(&share).then_some(left.half_width + share * (right.half_width - left.half_width))
    })
}

/// The place of a share from 0 to 1 among so many.
fn scaled(share: f64, places: usize) -> usize {
    let last = u32::try_from(places - 1).unwrap_or(0);
    let wanted = (share * f64::from(last)).round();
    (0..last).find(|place| f64::from(*place) >= wanted).unwrap_or(last) as usize
}
