//! Combining uncertainties by the GUM (JCGM 100:2008).

/// Effective degrees of freedom of a variance that is a sum with parts of known degrees of freedom (Welch 1947, Satterthwaite 1946; GUM G.4.1):
/// `total^2 / sum(v_i^2/df_i)`. Parts are (variance, df); a part known exactly has infinite df.
#[must_use]
pub fn effective_df(total_variance: f64, parts: &[(f64, f64)]) -> f64 {
    let doubt: f64 = parts.iter().map(|(v, df)| v * v / df).sum();
    if doubt > 0.0 {
        total_variance * total_variance / doubt
    } else {
        f64::INFINITY
    }
}

/// Variance of a weighted sum: c'Vc for the sensitivities c and the covariance V, one row per quantity (GUM 5.2.2).
#[must_use]
pub fn propagate(sensitivities: &[f64], covariance: &[Vec<f64>]) -> f64 {
    sensitivities
        .iter()
        .zip(covariance)
        .map(|(ci, row)| {
            ci * row
                .iter()
                .zip(sensitivities)
                .map(|(v, cj)| v * cj)
                .sum::<f64>()
        })
        .sum()
}

/// Mean and sd (n - 1) of a series by one stable pass (Welford 1962).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Running {
    n: u32,
    mean: f64,
    squares: f64,
}

impl Running {
    /// Takes one more value in.
    pub fn push(&mut self, value: f64) {
        self.n += 1;
        let before = value - self.mean;
        self.mean += before / f64::from(self.n);
        self.squares += before * (value - self.mean);
    }

    /// Number of values.
    #[must_use]
    pub fn count(&self) -> u32 {
        self.n
    }

    /// Mean; 0 of none.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Sd with n - 1; `None` of fewer than two values.
    #[must_use]
    pub fn sd(&self) -> Option<f64> {
        (self.n > 1).then(|| (self.squares / f64::from(self.n - 1)).sqrt())
    }
}

impl FromIterator<f64> for Running {
    fn from_iter<T: IntoIterator<Item = f64>>(values: T) -> Self {
        let mut running = Self::default();
        for value in values {
            running.push(value);
        }
        running
    }
}
