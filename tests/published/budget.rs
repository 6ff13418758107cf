//! A full budget (case K16): resistance and full-scale current by half deflection. Observations
//! synthetic, figures derived here; 4 million draws for the Monte Carlo ones.

use super::{DERIVED, close, prints};
use movement::{circuit, statistics};
use quantity::{Uncertain, monte_carlo};

const VOLTAGES: [f64; 8] = [
    5.0021, 5.0009, 5.0034, 5.0018, 5.0027, 5.0012, 5.0030, 5.0017,
];
const SHUNTS: [f64; 8] = [
    1958.2, 1963.5, 1960.9, 1955.8, 1961.7, 1964.4, 1957.6, 1962.3,
];

/// The inputs, in the order of [`ROWS`].
fn inputs() -> [Uncertain; 10] {
    let observed = |readings: &[f64], label| {
        let (mean, s) = (statistics::mean(readings), statistics::sample_sd(readings));
        Uncertain::type_a(mean.unwrap(), s.unwrap(), readings.len(), label)
    };
    let limit = |half_width, label| Uncertain::rectangular(0.0, half_width, label);
    [
        observed(&VOLTAGES, "voltage"),
        limit(3.0e-3, "voltmeter"),
        Uncertain::rectangular(98_050.0, 108.0, "series"),
        observed(&SHUNTS, "shunt"),
        limit(2.2, "ohmmeter"),
        Uncertain::normal(-0.12, 0.02, "leads"),
        limit(0.0015, "pointer, full scale"),
        limit(0.0015, "pointer, half scale"),
        limit(0.005, "scale"),
        limit(0.0002, "drift"),
    ]
}

/// Name, standard uncertainty, contribution to the resistance (Ω) and to the current (µA), signed.
#[rustfmt::skip]
const ROWS: [(&str, f64, f64, f64); 10] = [
    ("voltage",             3.093_773e-4,   0.0,        0.003_092_2),
    ("voltmeter",           1.732_051e-3,   0.0,        0.017_311_8),
    ("series",              62.353_83,     -0.025_955, -0.031_145_6),
    ("shunt",               1.075_872,      1.120_220, -0.000_559_8),
    ("ohmmeter",            1.270_171,      1.322_528, -0.000_660_9),
    ("leads",               0.02,           0.020_824, -0.000_010_4),
    ("pointer, full scale", 8.660_254e-4,   3.535_531, -0.045_064_3),
    ("pointer, half scale", 8.660_254e-4,  -7.071_062,  0.003_533_5),
    ("scale",               2.886_751e-3, -23.570_207,  0.011_778_2),
    ("drift",               1.154_701e-4,   0.471_404, -0.000_235_6),
];

/// Resistance (Ω) and full-scale current (µA) to first order.
fn results() -> (Uncertain, Uncertain) {
    let [
        v,
        meter,
        series,
        shunt,
        ohms,
        leads,
        top,
        half,
        scale,
        drift,
    ] = &inputs();
    let fraction = (0.5 + half + scale) / ((1.0 + top) * (1.0 + drift));
    let resistance = circuit::shunted_uncertain(series, &(shunt + ohms + leads), &fraction);
    let current = 1e6 * (v + meter) / ((series + &resistance) * (1.0 + top));
    (resistance, current)
}

/// The same model for drawn inputs, through the plain formula.
fn drawn(x: &[f64]) -> (f64, f64) {
    let fraction = (0.5 + x[7] + x[8]) / ((1.0 + x[6]) * (1.0 + x[9]));
    let shunt = quantity::Ohms::new(x[3] + x[4] + x[5]);
    let found = circuit::shunted(quantity::Ohms::new(x[2]), shunt, fraction)
        .unwrap()
        .get();
    (found, 1e6 * (x[0] + x[1]) / ((x[2] + found) * (1.0 + x[6])))
}

fn contribution(result: &Uncertain, name: &str) -> f64 {
    let budget = result.budget();
    budget
        .iter()
        .find(|row| &*row.source.label == name)
        .map_or(0.0, |row| row.contribution)
}

#[test]
fn k16_every_row_of_the_budget() {
    close(
        statistics::sample_sd(&VOLTAGES).unwrap(),
        0.875_051e-3,
        1e-6,
    );
    close(statistics::sample_sd(&SHUNTS).unwrap(), 3.043_025, 1e-6);
    let (resistance, current) = results();
    for (input, (name, u, ohms, microamps)) in inputs().iter().zip(ROWS) {
        close(input.u(), u, 5e-7);
        prints(contribution(&resistance, name), ohms, 6e-7);
        prints(contribution(&current, name), microamps, 6e-8);
    }
    assert_eq!(resistance.budget()[0].source.label.as_ref(), "scale");
    assert_eq!(resistance.budget().len(), 8);
}

#[test]
fn k16_linear_results() {
    let (resistance, current) = results();
    close(resistance.value(), 2_000.426_909, DERIVED);
    close(resistance.u(), 24.925_527, 1e-7);
    close(current.value(), 49.995_788_67, DERIVED);
    close(current.u(), 0.058_839_78, 1e-6);
    close(resistance.correlation(&current), -0.315_509_093, 1e-7);
    assert!(resistance.dof() > 9e5 && current.dof() > 9e5);
    // The drop at full scale, with and without the correlation.
    let drop = &resistance * &current / 1e3;
    prints(drop.value(), 100.012_92, 5e-6);
    prints(drop.u(), 1.214_18, 5e-6);
    let apart = (resistance.u() / resistance.value()).hypot(current.u() / current.value());
    prints(apart * drop.value(), 1.251_72, 5e-6);
}

/// The dominant rectangular error makes the linear interval 11 % too wide.
#[test]
fn k16_intervals_are_those_of_drawing() {
    let (resistance, current) = results();
    prints(1.959_964 * resistance.u(), 48.85, 0.005);
    close(resistance.expanded95(), 43.91, 1e-2);
    close(current.expanded95(), 0.111_76, 1e-2);
}

#[test]
fn k16_by_drawing_the_model() {
    let inputs = inputs();
    let inputs: Vec<&Uncertain> = inputs.iter().collect();
    let ohms = monte_carlo(|x| drawn(x).0, &inputs, 400_000, 16).unwrap();
    prints(ohms.mean, 2000.58, 0.15);
    close(ohms.sd, 24.93, 4e-3);
    prints(ohms.low95, 1956.99, 0.25);
    prints(ohms.high95, 2044.82, 0.25);
    let microamps = monte_carlo(|x| drawn(x).1, &inputs, 400_000, 16).unwrap();
    prints(microamps.mean, 49.995_76, 4e-4);
    close(microamps.sd, 0.058_852, 4e-3);
    prints(microamps.low95, 49.8842, 6e-4);
    prints(microamps.high95, 50.1077, 6e-4);
}
