//! Robust least squares: a straight combination of known columns through measured points, of which some may be wrong.
//!
//! The scale of the loss is what the installer's instruments may err by, not the scatter of the points: of three or four
//! points there is hardly a scatter to speak of. The loss grows like a square near the curve and in proportion further
//! away (soft L1), so a wrong point pulls, but not with the square of its error. What then lies far off is named, left out, and
//! the rest is fitted once more by plain weighted least squares, which gives the uncertainty.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{DMatrix, DVector, Dyn};
use statrs::distribution::{ContinuousCDF, StudentsT};

/// A point further from the curve than this many standard errors of its instruments does not fit.
const FAR_SIGMAS: f64 = 4.0;
/// And it must stand out from the other points by this factor.
const STANDS_OUT: f64 = 3.0;
/// Two-sided 95 % of the normal distribution.
const NORMAL_95: f64 = 1.96;
/// Scatter over the instruments' own error from which the points contradict each other (chi-squared over its degrees of
/// freedom, rooted).
const DISAGREE: f64 = 2.0;
/// Of the singular values, relative.
const SVD_EPSILON: f64 = 5.0 * f64::EPSILON;
/// So small a matrix takes a handful of rounds.
const SVD_ITERATIONS: usize = 1_000;

/// One measured point as the solver sees it.
#[derive(Debug, Clone)]
pub(super) struct Observation {
    /// What each coefficient is multiplied by.
    pub(super) row: Vec<f64>,
    /// What the products add up to.
    pub(super) value: f64,
    /// Standard error of `value`.
    pub(super) sigma: f64,
}

/// Coefficients and how well they are known.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    /// The coefficients, in the order of the columns.
    pub(super) coefficients: Vec<f64>,
    /// Whether each point was used; the others lie too far off.
    pub(super) used: Vec<bool>,
    /// Scatter of the used points in standard errors of their instruments; `None` where there is none to judge by.
    pub(super) scatter: Option<f64>,
    covariance: DMatrix<f64>,
    /// What a standard error is multiplied by for 95 %.
    quantile_95: f64,
}

impl Solution {
    /// Half the 95 % interval of the combination `row` of the coefficients.
    pub(super) fn half_width(&self, row: &[f64]) -> f64 {
        let row = DVector::from_column_slice(row);
        let variance = row.dot(&(&self.covariance * &row));
        self.quantile_95 * variance.max(0.0).sqrt()
    }

    /// The combination `row` of the coefficients.
    pub(super) fn value(&self, row: &[f64]) -> f64 {
        row.iter().zip(&self.coefficients).map(|(factor, coefficient)| factor * coefficient).sum()
    }

    /// Whether the points contradict each other by more than their instruments explain.
    pub(super) fn disagrees(&self) -> bool {
        self.scatter.is_some_and(|scatter| scatter > DISAGREE)
    }
}

/// Fits the coefficients; `None` where the points do not determine them.
pub(super) fn solve(points: &[Observation]) -> Option<Solution> {
    let width = points.first()?.row.len();
    let is_finite = |point: &Observation| {
        point.row.iter().chain([&point.value, &point.sigma]).all(|number| number.is_finite()) && point.sigma > 0.0
    };
    if points.len() < width || !points.iter().all(is_finite) {
        return None;
    }
    let robust = soft_l1(points, width)?;
    let distances: Vec<_> = points.iter().map(|point| distance(point, &robust)).collect();
    let mut used = vec![true; points.len()];
    let most_left_out = (points.len().saturating_sub(width + 1)) / 2;
    let limit = FAR_SIGMAS.max(STANDS_OUT * median(&distances));
    let far: Vec<_> = (0..points.len()).filter(|index| distances[*index] > limit).collect();
    if far.len() <= most_left_out {
        for index in far {
            used[index] = false;
        }
    }
    weighted(points, used, width)
}

fn distance(point: &Observation, coefficients: &DVector<f64>) -> f64 {
    let by_curve: f64 = point.row.iter().zip(coefficients).map(|(factor, coefficient)| factor * coefficient).sum();
    ((by_curve - point.value) / point.sigma).abs()
}

fn median(numbers: &[f64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

/// Plain weighted least squares of the used points, and the covariance.
fn weighted(points: &[Observation], used: Vec<bool>, width: usize) -> Option<Solution> {
    let kept: Vec<_> = points.iter().zip(&used).filter_map(|(point, used)| used.then_some(point)).collect();
    let scales = column_scales(points, width);
    let design =
        DMatrix::from_fn(kept.len(), width, |row, column| kept[row].row[column] / scales[column] / kept[row].sigma);
    let values = DVector::from_fn(kept.len(), |row, _| kept[row].value / kept[row].sigma);
    let svd = design.clone().try_svd(true, true, SVD_EPSILON, SVD_ITERATIONS)?;
    // Columns that cannot be told apart in double precision.
    if svd.rank(svd.singular_values.max() * 1e-13) < width {
        return None;
    }
    let scaled = svd.solve(&values, 0.0).ok()?;
    let residuals = design * &scaled - values;
    let inverse_squares = svd.singular_values.map(|singular| singular.powi(-2));
    let v = svd.v_t?.transpose();
    let covariance = &v * DMatrix::from_diagonal(&inverse_squares) * v.transpose();
    let covariance = DMatrix::from_fn(width, width, |i, j| covariance[(i, j)] / scales[i] / scales[j]);
    let freedom = kept.len() - width;
    let scatter = (freedom > 0).then(|| (residuals.norm_squared() / count(freedom)).sqrt());
    Some(Solution {
        coefficients: scaled.iter().zip(&scales).map(|(coefficient, scale)| coefficient / scale).collect(),
        used,
        scatter,
        covariance,
        quantile_95: quantile_95(scatter, freedom),
    })
}

/// The instruments' own errors hold at least; a larger scatter widens them, by Student's t as it is estimated from so few.
fn quantile_95(scatter: Option<f64>, freedom: usize) -> f64 {
    let by_scatter = scatter.and_then(|scatter| {
        let student = StudentsT::new(0.0, 1.0, count(freedom)).ok()?;
        (scatter > 1.0).then(|| scatter * student.inverse_cdf(0.975))
    });
    by_scatter.map_or(NORMAL_95, |wider| wider.max(NORMAL_95))
}

/// A small number of points as a number to calculate with.
fn count(points: usize) -> f64 {
    f64::from(u32::try_from(points).unwrap_or(u32::MAX))
}

/// The greatest entry of each column: the solver works with coefficients of one size.
fn column_scales(points: &[Observation], width: usize) -> Vec<f64> {
    let greatest = |column: usize| points.iter().map(|point| point.row[column].abs()).fold(0.0, f64::max);
    (0..width).map(|column| greatest(column).max(f64::MIN_POSITIVE)).collect()
}

fn soft_l1(points: &[Observation], width: usize) -> Option<DVector<f64>> {
    let scales = column_scales(points, width);
    let design = DMatrix::from_fn(points.len(), width, |row, column| {
        points[row].row[column] / scales[column] / points[row].sigma
    });
    let values = DVector::from_fn(points.len(), |row, _| points[row].value / points[row].sigma);
    let svd = design.clone().try_svd(true, true, SVD_EPSILON, SVD_ITERATIONS)?;
    let start = svd.solve(&values, 1e-13).ok()?;
    let (problem, report) = LevenbergMarquardt::new().minimize(SoftL1 { design, values, coefficients: start });
    if !report.termination.was_successful() {
        return None;
    }
    Some(DVector::from_fn(width, |column, _| problem.coefficients[column] / scales[column]))
}

/// The loss 2 (√(1 + r²) − 1) as the square of a residual that keeps the sign of r.
struct SoftL1 {
    design: DMatrix<f64>,
    values: DVector<f64>,
    coefficients: DVector<f64>,
}

impl SoftL1 {
    fn plain_residuals(&self) -> DVector<f64> {
        &self.design * &self.coefficients - &self.values
    }
}

impl LeastSquaresProblem<f64, Dyn, Dyn> for SoftL1 {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, coefficients: &DVector<f64>) {
        self.coefficients.copy_from(coefficients);
    }

    fn params(&self) -> DVector<f64> {
        self.coefficients.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(self.plain_residuals().map(|r| r * softening(r)))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        // With g = √(2 (√(1 + r²) − 1)) the slope dg/dr is r / (g √(1 + r²)), which is 1 / (softening √(1 + r²)).
        let slopes = self.plain_residuals().map(|r| 1.0 / (softening(r) * r.hypot(1.0)));
        Some(DMatrix::from_fn(self.design.nrows(), self.design.ncols(), |row, column| {
            self.design[(row, column)] * slopes[row]
        }))
    }
}

/// √(2 (√(1 + r²) − 1)) over r, written so that nothing cancels near 0.
fn softening(r: f64) -> f64 {
    (2.0 / (r.hypot(1.0) + 1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(points: &[(f64, f64)], sigma: f64) -> Vec<Observation> {
        points.iter().map(|(x, value)| Observation { row: vec![1.0, *x], value: *value, sigma }).collect()
    }

    /// By hand: y = 1, 3, 2, 5 at x = 0 to 3 has the least-squares line 1.1 + 1.1 x and s² = 2.7 / 2.
    #[test]
    fn scatter_and_interval_are_those_of_the_textbook() {
        // Instruments so good that the scatter alone counts, so bad that nothing is left out.
        let solution = solve(&line(&[(0.0, 1.0), (1.0, 3.0), (2.0, 2.0), (3.0, 5.0)], 0.9)).unwrap();
        assert!((solution.coefficients[0] - 1.1).abs() < 1e-9, "{:?}", solution.coefficients);
        assert!((solution.coefficients[1] - 1.1).abs() < 1e-9, "{:?}", solution.coefficients);
        assert!((solution.scatter.unwrap() - 1.35_f64.sqrt() / 0.9).abs() < 1e-9);
        // t(0.975, 2) = 4.302653 (every printed table of Student's t); variance at the mean is s²/4.
        let expected = 4.302_653 * (1.35_f64 / 4.0).sqrt();
        assert!((solution.half_width(&[1.0, 1.5]) - expected).abs() < 1e-5, "{}", solution.half_width(&[1.0, 1.5]));
    }

    #[test]
    fn a_wrong_point_is_left_out_and_changes_nothing() {
        let exact = |wrong: f64| -> Vec<_> {
            (0..7)
                .map(f64::from)
                .map(|x| (x, 2.0 + 0.5 * x + if (x - 5.0).abs() < 0.1 { wrong } else { 0.0 }))
                .collect()
        };
        for (name, wrong, left_out) in [("small", 0.1, false), ("large", 3.0, true), ("huge", -300.0, true)] {
            let solution = solve(&line(&exact(wrong), 0.05)).unwrap();
            assert_eq!(solution.used.iter().filter(|used| !**used).count(), usize::from(left_out), "{name}");
            assert_eq!(!solution.used[5], left_out, "{name}");
            if left_out {
                assert!((solution.coefficients[1] - 0.5).abs() < 1e-9, "{name}: {:?}", solution.coefficients);
            }
        }
    }

    #[test]
    fn points_without_a_majority_disagree_instead() {
        let solution = solve(&line(&[(0.0, 0.0), (1.0, 5.0), (2.0, 0.0), (3.0, 5.0)], 0.1)).unwrap();
        assert!(solution.disagrees());
        assert!(solution.used.iter().all(|used| *used));
    }

    #[test]
    fn without_spare_points_the_instruments_alone_count() {
        let solution = solve(&line(&[(0.0, 1.0), (1.0, 2.0)], 0.1)).unwrap();
        assert_eq!(solution.scatter, None);
        assert!((solution.half_width(&[1.0, 0.0]) - 0.196).abs() < 1e-9, "{}", solution.half_width(&[1.0, 0.0]));
    }

    #[test]
    fn what_does_not_determine_the_coefficients_is_no_solution() {
        let cases = [
            ("no points", vec![]),
            ("one point", line(&[(1.0, 1.0)], 0.1)),
            ("one place", line(&[(1.0, 1.0), (1.0, 1.1), (1.0, 0.9)], 0.1)),
        ];
        for (name, points) in cases {
            assert!(solve(&points).is_none(), "{name}");
        }
    }
}
