//! Quantiles of the normal distribution.

/// The standard normal deviate below which a share `p` lies, by Acklam's rational approximation (relative error
/// below 1.2e-9). Infinite at 0 and 1.
#[expect(clippy::excessive_precision, reason = "the published coefficients are kept as they stand")]
pub(crate) fn quantile(p: f64) -> f64 {
    const A: [f64; 6] = [
        -3.969_683_028_665_376e1,
        2.209_460_984_245_205e2,
        -2.759_285_104_469_687e2,
        1.383_577_518_672_690e2,
        -3.066_479_806_614_716e1,
        2.506_628_277_459_239,
    ];
    const B: [f64; 5] = [
        -5.447_609_879_822_406e1,
        1.615_858_368_580_409e2,
        -1.556_989_798_598_866e2,
        6.680_131_188_771_972e1,
        -1.328_068_155_288_572e1,
    ];
    const C: [f64; 6] = [
        -7.784_894_002_430_293e-3,
        -3.223_964_580_411_365e-1,
        -2.400_758_277_161_838,
        -2.549_732_539_343_734,
        4.374_664_141_464_968,
        2.938_163_982_698_783,
    ];
    const D: [f64; 4] =
        [7.784_695_709_041_462e-3, 3.224_671_290_700_398e-1, 2.445_134_137_142_996, 3.754_408_661_907_416];
    let poly = |c: &[f64], x: f64| c.iter().fold(0.0, |sum, k| sum * x + k);
    if p <= 0.0 {
        f64::NEG_INFINITY
    } else if p >= 1.0 {
        f64::INFINITY
    } else if p < 0.02425 {
        let q = (-2.0 * p.ln()).sqrt();
        poly(&C, q) / (poly(&D, q) * q + 1.0)
    } else if p > 1.0 - 0.02425 {
        -quantile(1.0 - p)
    } else {
        let q = p - 0.5;
        let r = q * q;
        poly(&A, r) * q / (poly(&B, r) * r + 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz and Stegun, table 26.5 and the usual two-sided points.
    #[test]
    fn the_usual_points() {
        for (p, z) in [
            (0.5, 0.0),
            (0.9, 1.281_551_566),
            (0.95, 1.644_853_627),
            (0.975, 1.959_963_985),
            (0.999, 3.090_232_306),
        ] {
            assert!((quantile(p) - z).abs() < 1e-8, "{p}");
            assert!((quantile(1.0 - p) + z).abs() < 1e-8, "{p}");
        }
    }
}
