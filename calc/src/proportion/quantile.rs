//! Quantiles of the normal and Student's distribution and the tail of the chi-square distribution,
//! as far as intervals need them. Checked against a general statistics library in
//! `tests/published_proportions.rs`.

use std::f64::consts::PI;

/// Normal quantile: the z below which a share `p` lies. NaN outside 0 to 1.
///
/// ```
/// assert!((nightjar_calc::proportion::quantile::normal(0.975) - 1.959_963_985).abs() < 1e-9);
/// ```
#[must_use]
pub fn normal(p: f64) -> f64 {
    if p < 0.5 {
        return -normal(1.0 - p);
    }
    let upper = 1.0 - p;
    solve(|z| 0.5 * gamma_above(0.5, 0.5 * z * z) - upper, 0.0, 40.0)
}

/// Student's quantile with so many degrees of freedom, for `p` from 0.5 to below 1.
///
/// ```
/// // 12.706 is the printed value for one degree of freedom.
/// assert!((nightjar_calc::proportion::quantile::student(0.975, 1.0) - 12.7062).abs() < 1e-4);
/// ```
#[must_use]
pub fn student(p: f64, freedom: f64) -> f64 {
    let upper = 1.0 - p;
    solve(|t| 0.5 * beta_below(0.5 * freedom, 0.5, freedom / (freedom + t * t)) - upper, 0.0, 1.0e6)
}

/// Share of the chi-square distribution above `x`.
///
/// ```
/// // 3.841 is the printed 5 % point for one degree of freedom.
/// assert!((nightjar_calc::proportion::quantile::chi_square_above(3.841_459, 1.0) - 0.05).abs() < 1e-7);
/// ```
#[must_use]
pub fn chi_square_above(x: f64, freedom: f64) -> f64 {
    gamma_above(0.5 * freedom, 0.5 * x)
}

/// Root of a falling function by halving; less than a billion-billionth of the span is left.
fn solve(falling: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    for _ in 0..64 {
        let middle = f64::midpoint(low, high);
        if falling(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Logarithm of the gamma function for x above zero: Stirling's series after shifting x beyond 10.
fn ln_gamma(x: f64) -> f64 {
    let (mut x, mut shift) = (x, 0.0);
    while x < 10.0 {
        shift -= x.ln();
        x += 1.0;
    }
    let r = 1.0 / (x * x);
    let series = (1.0 / 12.0 - r * (1.0 / 360.0 - r * (1.0 / 1260.0 - r * (1.0 / 1680.0 - r / 1188.0)))) / x;
    shift + (x - 0.5) * x.ln() - x + 0.5 * (2.0 * PI).ln() + series
}

/// Regularised upper incomplete gamma function: power series below a + 1, continued fraction above
/// (both classical; modified Lentz for the fraction).
fn gamma_above(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 1.0;
    }
    let front = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, a);
        for _ in 0..1000 {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < sum * 1e-17 {
                break;
            }
        }
        return 1.0 - front * sum;
    }
    let mut b = x + 1.0 - a;
    let mut c = 1e300;
    let mut d = 1.0 / b;
    let mut h = d;
    for i in 1..1000 {
        let i = f64::from(i);
        let numerator = -i * (i - a);
        b += 2.0;
        d = 1.0 / nonzero(numerator * d + b);
        c = nonzero(b + numerator / c);
        let step = c * d;
        h *= step;
        if (step - 1.0).abs() < 1e-16 {
            break;
        }
    }
    front * h
}

/// Regularised incomplete beta function by its continued fraction.
fn beta_below(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - beta_below(b, a, 1.0 - x);
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (1.0 - x).ln()).exp() / a;
    let mut c = 1.0;
    let mut d = 1.0 / nonzero(1.0 - (a + b) * x / (a + 1.0));
    let mut h = d;
    for m in 1..1000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        for numerator in [even, odd] {
            d = 1.0 / nonzero(1.0 + numerator * d);
            c = nonzero(1.0 + numerator / c);
            h *= c * d;
        }
        if (c * d - 1.0).abs() < 1e-16 {
            break;
        }
    }
    front * h
}

fn nonzero(x: f64) -> f64 {
    if x.abs() < 1e-300 { 1e-300 } else { x }
}
