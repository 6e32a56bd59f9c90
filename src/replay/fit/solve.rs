//! Nonlinear least squares: damped Gauss-Newton steps (D. Marquardt, J. SIAM 11, 1963) over a
//! numerical derivative, and what the normal matrix says of the outcome. Knows nothing of arrays.

/// Where the sum of squares is least.
#[derive(Clone, Debug)]
pub(super) struct Solved {
    /// The parameters.
    pub params: Vec<f64>,
    /// One standard deviation of each; infinite where the data say nothing of it.
    pub uncertainty: Vec<f64>,
    /// Rms of the residuals.
    pub rms: f64,
}

const STEPS_MAX: usize = 200;
/// Step of the numerical derivative, in the parameters' units.
const DERIVATIVE_STEP: f64 = 1e-4;
/// Relative size of an eigenvalue below which its direction counts as not seen.
const SEEN_MIN: f64 = 1e-10;

type Matrix = Vec<Vec<f64>>;

/// The least squares of `residuals` near `start`; `None` when no finite one is found. `noise_min` is
/// the least scatter that the points are taken to have.
pub(super) fn solve(
    residuals: &dyn Fn(&[f64]) -> Vec<f64>,
    start: Vec<f64>,
    noise_min: f64,
) -> Option<Solved> {
    let cost = |params: &[f64]| residuals(params).iter().map(|r| r * r).sum::<f64>();
    let mut params = start;
    let mut present = cost(&params);
    let mut damping = 1e-3;
    for _ in 0..STEPS_MAX {
        let (normal, gradient) = normal_equations(residuals, &params);
        let mut damped = normal.clone();
        for (n, row) in damped.iter_mut().enumerate() {
            row[n] += damping * row[n].max(1e-9);
        }
        let step = cholesky_solve(&damped, &gradient)?;
        let next: Vec<f64> = params.iter().zip(&step).map(|(p, s)| p - s).collect();
        let reached = cost(&next);
        if reached.is_finite() && reached < present {
            let gained = (present - reached) / present.max(f64::MIN_POSITIVE);
            (params, present) = (next, reached);
            damping = (damping * 0.3).max(1e-12);
            if gained < 1e-10 {
                break;
            }
        } else {
            damping *= 5.0;
            if damping > 1e12 {
                break;
            }
        }
    }
    if !present.is_finite() {
        return None;
    }
    let points = residuals(&params).len();
    let freedom = points.saturating_sub(params.len()).max(1) as f64;
    let scatter = (present / freedom).max(noise_min * noise_min);
    let (normal, _) = normal_equations(residuals, &params);
    let uncertainty = variances(&normal).into_iter().map(|v| (v * scatter).sqrt()).collect();
    Some(Solved { params, uncertainty, rms: (present / points.max(1) as f64).sqrt() })
}

fn normal_equations(residuals: &dyn Fn(&[f64]) -> Vec<f64>, params: &[f64]) -> (Matrix, Vec<f64>) {
    let here = residuals(params);
    let columns: Vec<Vec<f64>> = (0..params.len())
        .map(|n| {
            let moved = |by: f64| {
                let mut moved = params.to_vec();
                moved[n] += by;
                residuals(&moved)
            };
            let (up, down) = (moved(DERIVATIVE_STEP), moved(-DERIVATIVE_STEP));
            up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * DERIVATIVE_STEP)).collect()
        })
        .collect();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let normal = columns.iter().map(|a| columns.iter().map(|b| dot(a, b)).collect()).collect();
    let gradient = columns.iter().map(|column| dot(column, &here)).collect();
    (normal, gradient)
}

/// Solves a positive definite system.
fn cholesky_solve(matrix: &Matrix, right: &[f64]) -> Option<Vec<f64>> {
    let n = right.len();
    let mut lower = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let rest = matrix[i][j] - sum;
            lower[i][j] = if i == j {
                if rest <= 0.0 || !rest.is_finite() {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / lower[j][j]
            };
        }
    }
    let mut forward = vec![0.0; n];
    for i in 0..n {
        let sum: f64 = (0..i).map(|k| lower[i][k] * forward[k]).sum();
        forward[i] = (right[i] - sum) / lower[i][i];
    }
    let mut solution = vec![0.0; n];
    for i in (0..n).rev() {
        let sum: f64 = (i + 1..n).map(|k| lower[k][i] * solution[k]).sum();
        solution[i] = (forward[i] - sum) / lower[i][i];
    }
    Some(solution)
}

/// The diagonal of the inverse of a normal matrix; infinite for every parameter that takes part in a
/// direction of which the data say nothing.
fn variances(normal: &Matrix) -> Vec<f64> {
    let (values, vectors) = eigen(normal.clone());
    let largest = values.iter().copied().fold(0.0, f64::max);
    (0..values.len())
        .map(|n| {
            let parts = values.iter().zip(&vectors).map(|(value, vector)| {
                let share = vector[n] * vector[n];
                if *value > SEEN_MIN * largest {
                    share / value
                } else if share > 1e-6 {
                    f64::INFINITY
                } else {
                    0.0
                }
            });
            parts.sum()
        })
        .collect()
}

/// Eigenvalues and their vectors of a symmetric matrix, by Jacobi's rotations (G. Golub, C. Van Loan,
/// Matrix Computations, sec. 8.5, section number from memory).
fn eigen(mut a: Matrix) -> (Vec<f64>, Matrix) {
    let n = a.len();
    let mut vectors: Matrix =
        (0..n).map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect()).collect();
    let whole: f64 = a.iter().flatten().map(|x| x * x).sum();
    for _ in 0..100 {
        let off: f64 =
            (0..n).flat_map(|i| (0..i).map(move |j| (i, j))).map(|(i, j)| a[i][j].powi(2)).sum();
        if off <= 1e-26 * whole {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                if a[p][q] != 0.0 {
                    rotate(&mut a, &mut vectors, p, q);
                }
            }
        }
    }
    ((0..n).map(|i| a[i][i]).collect(), vectors)
}

/// Makes the element at `p`, `q` zero; the rows of `vectors` are the eigenvectors so far.
fn rotate(a: &mut Matrix, vectors: &mut Matrix, p: usize, q: usize) {
    let theta = (a[q][q] - a[p][p]) / (2.0 * a[p][q]);
    let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
    let t = if theta == 0.0 { 1.0 } else { t };
    let c = 1.0 / (t * t + 1.0).sqrt();
    let s = t * c;
    for row in a.iter_mut() {
        (row[p], row[q]) = (c * row[p] - s * row[q], s * row[p] + c * row[q]);
    }
    for matrix in [a, vectors] {
        let (above, below) = matrix.split_at_mut(q);
        for (x, y) in above[p].iter_mut().zip(&mut below[0]) {
            (*x, *y) = (c * *x - s * *y, s * *x + c * *y);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eigenvalues_of_a_matrix_by_hand() {
        // [[2, 1], [1, 2]] has 1 and 3 with the vectors (1, -1) and (1, 1).
        let (values, vectors) = eigen(vec![vec![2.0, 1.0], vec![1.0, 2.0]]);
        let mut sorted = values.clone();
        sorted.sort_by(f64::total_cmp);
        assert!((sorted[0] - 1.0).abs() < 1e-12 && (sorted[1] - 3.0).abs() < 1e-12);
        for (value, vector) in values.iter().zip(&vectors) {
            let product = 2.0 * vector[0] + vector[1];
            assert!((product - value * vector[0]).abs() < 1e-12);
        }
    }

    #[test]
    fn a_line_through_points_has_the_textbook_uncertainty() {
        // y = 1 + 2 x at x = 0 … 4 with errors of +-1: normal matrix [[5, 10], [10, 30]], inverse
        // diagonal 0.6 and 0.1 (own arithmetic on the textbook formula of a straight line).
        let errors = [1.0, -1.0, 0.0, -1.0, 1.0];
        let residuals = |p: &[f64]| {
            (0..5).map(|x| p[0] + p[1] * x as f64 - (1.0 + 2.0 * x as f64 + errors[x])).collect()
        };
        let solved = solve(&residuals, vec![0.0, 0.0], 0.0).unwrap();
        let left: f64 = residuals(&solved.params).iter().map(|r: &f64| r * r).sum();
        let scatter = left / 3.0;
        assert!((solved.uncertainty[0] - (0.6 * scatter).sqrt()).abs() < 1e-6, "{solved:?}");
        assert!((solved.uncertainty[1] - (0.1 * scatter).sqrt()).abs() < 1e-6);
        assert!((solved.params[1] - 2.0).abs() < 1e-6, "the errors have no slope: {solved:?}");
    }

    #[test]
    fn what_no_point_tells_of_is_infinitely_uncertain() {
        let residuals = |p: &[f64]| (0..6).map(|x| p[0] - f64::from(x)).collect();
        let solved = solve(&residuals, vec![0.0, 0.0], 0.0).unwrap();
        assert!(solved.uncertainty[0].is_finite() && solved.uncertainty[1].is_infinite());
    }
}
