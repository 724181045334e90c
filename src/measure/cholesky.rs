//! Cholesky factorisation of small symmetric positive definite matrices, in a fixed order of
//! operations: libraries that pick their kernel by the processor give other last bits elsewhere.

use super::wide::wide;

/// Lower triangular factor `L` of `A = L L'`, row-major.
#[derive(Clone, Debug)]
pub struct Cholesky {
    n: usize,
    /// Row-major `n x n`; entries above the diagonal are zero.
    l: Vec<f64>,
}

impl Cholesky {
    /// Factors `a` (row-major `n x n`, the lower triangle is read); `None` if it is not positive definite.
    ///
    /// ```
    /// use feelgauge::measure::cholesky::Cholesky;
    /// let c = Cholesky::new(&[4.0, 2.0, 2.0, 3.0], 2).unwrap();
    /// let x = c.solve(&[8.0, 7.0]);
    /// assert!((x[0] - 1.25).abs() < 1e-15 && (x[1] - 1.5).abs() < 1e-15);
    /// ```
    pub fn new(a: &[f64], n: usize) -> Option<Self> {
        assert_eq!(a.len(), n * n, "a square matrix");
        let mut l = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let (ri, rj) = (&l[i * n..i * n + j], &l[j * n..j * n + j]);
                let s = a[i * n + j] - ri.iter().zip(rj).map(|(x, y)| x * y).sum::<f64>();
                if i == j {
                    if s.is_nan() || s <= 0.0 {
                        return None;
                    }
                    l[i * n + i] = s.sqrt();
                } else {
                    l[i * n + j] = s / l[j * n + j];
                }
            }
        }
        Some(Self { n, l })
    }

    /// Rows of the matrix.
    pub fn size(&self) -> usize {
        self.n
    }

    /// `L^-1 b`.
    pub fn half_solve(&self, b: &[f64]) -> Vec<f64> {
        let mut x: Vec<[f64; 1]> = b.iter().map(|b| [*b]).collect();
        self.half_solve_each(&mut x);
        x.into_iter().flatten().collect()
    }

    /// Replaces `N` right sides, row `i` of all of them in `x[i]`, by their `L^-1 b`. Each has the bits that it has alone.
    pub fn half_solve_each<const N: usize>(&self, x: &mut [[f64; N]]) {
        assert_eq!(x.len(), self.n, "as many rows as the matrix");
        half_solve_each(&self.l, x);
    }

    /// `A^-1 b`.
    pub fn solve(&self, b: &[f64]) -> Vec<f64> {
        self.back_solve(&self.half_solve(b))
    }

    /// `L'^-1 b`.
    pub fn back_solve(&self, b: &[f64]) -> Vec<f64> {
        let n = self.n;
        let mut x = b.to_vec();
        for i in (0..n).rev() {
            x[i] /= self.l[i * n + i];
            let xi = x[i];
            for j in 0..i {
                x[j] -= self.l[i * n + j] * xi;
            }
        }
        x
    }

    /// `A^-1`, row-major.
    pub fn inverse(&self) -> Vec<f64> {
        let n = self.n;
        let mut inv = vec![0.0; n * n];
        let mut e = vec![0.0; n];
        for j in 0..n {
            e[j] = 1.0;
            for (i, v) in self.solve(&e).into_iter().enumerate() {
                inv[i * n + j] = v;
            }
            e[j] = 0.0;
        }
        inv
    }

    /// Natural logarithm of the determinant of `A`.
    pub fn ln_det(&self) -> f64 {
        (0..self.n)
            .map(|i| 2.0 * libm::log(self.l[i * self.n + i]))
            .sum()
    }
}

wide!(fn half_solve_each<'a, const N: usize>(l: &'a [f64], x: &'a mut [[f64; N]]) -> () = half_solve_each_of);

#[inline(always)]
fn half_solve_each_of<const N: usize>(l: &[f64], x: &mut [[f64; N]]) {
    let n = x.len();
    for i in 0..n {
        let (done, rest) = x.split_at_mut(i);
        let mut sum = [0.0; N];
        for (factor, x) in l[i * n..i * n + i].iter().zip(done) {
            for (sum, x) in sum.iter_mut().zip(x) {
                *sum += factor * *x;
            }
        }
        for (x, sum) in rest[0].iter_mut().zip(sum) {
            *x = (*x - sum) / l[i * n + i];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_times_matrix_is_identity() {
        let a = [6.0, 2.0, 1.0, 2.0, 5.0, 2.0, 1.0, 2.0, 4.0];
        let c = Cholesky::new(&a, 3).unwrap();
        let inv = c.inverse();
        for i in 0..3 {
            for j in 0..3 {
                let s: f64 = (0..3).map(|k| a[i * 3 + k] * inv[k * 3 + j]).sum();
                assert!((s - f64::from(u8::from(i == j))).abs() < 1e-14);
            }
        }
        // det = 6(20-4) - 2(8-2) + 1(4-5) = 83, by hand
        assert!((c.ln_det() - libm::log(83.0)).abs() < 1e-14);
    }

    #[test]
    fn indefinite_and_nan_are_refused() {
        assert!(Cholesky::new(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
        assert!(Cholesky::new(&[f64::NAN], 1).is_none());
    }
}
