//! Certified regressions of NIST's Statistical Reference Datasets (public domain; cases F11, F12).

use super::close;
use movement::fit::{straight_line, through_origin};

/// Norris, J., NIST: calibration of an ozone monitor, as (x, y).
#[rustfmt::skip]
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1), (337.4, 338.8), (118.2, 118.1), (884.6, 888.0), (10.1, 9.2), (226.5, 228.1),
    (666.3, 668.5), (996.3, 998.5), (448.6, 449.1), (777.0, 778.9), (558.2, 559.2), (0.4, 0.3),
    (0.6, 0.1), (775.5, 778.1), (666.9, 668.8), (338.0, 339.3), (447.5, 448.9), (11.6, 10.8),
    (556.0, 557.7), (228.1, 228.3), (995.8, 998.0), (887.6, 888.8), (120.2, 119.6), (0.3, 0.3),
    (0.3, 0.6), (556.8, 557.6), (339.1, 339.3), (887.2, 888.0), (999.0, 998.5), (779.0, 778.9),
    (11.1, 10.2), (118.3, 117.6), (229.2, 228.9), (669.1, 668.4), (448.9, 449.2), (0.5, 0.2),
];

/// F11. NIST StRD, linear regression, Norris: certified to 15 digits, met to 11.
#[test]
fn f11_norris() {
    let (x, y): (Vec<f64>, Vec<f64>) = NORRIS.into_iter().unzip();
    let fit = straight_line(&x, &y, None).unwrap();
    close(fit.parameters[0], -0.262_323_073_774_029, 1e-11);
    close(fit.parameters[1], 1.002_116_818_020_45, 1e-13);
    close(fit.u(0), 0.232_818_234_301_152, 1e-11);
    close(fit.u(1), 0.000_429_796_848_199_937, 1e-11);
    close(fit.residual_sd(), 0.884_796_396_144_373, 1e-11);
    assert_eq!(fit.dof, 34);
    let mean = y.iter().sum::<f64>() / 36.0;
    let total: f64 = y.iter().map(|y| (y - mean).powi(2)).sum();
    close(1.0 - fit.chi2 / total, 0.999_993_745_883_712, 1e-13);
}

/// F12. NIST StRD, linear regression, NoInt1 (generated: x = 60…70, y = 130…140).
#[test]
fn f12_line_through_the_origin() {
    let x: Vec<f64> = (60..=70).map(f64::from).collect();
    let y: Vec<f64> = (130..=140).map(f64::from).collect();
    let fit = through_origin(&x, &y, None).unwrap();
    close(fit.parameters[0], 2.074_380_165_289_26, 1e-13);
    close(fit.u(0), 0.016_528_925_619_834_7, 1e-11);
    close(fit.residual_sd(), 3.567_530_340_063_38, 1e-11);
}
