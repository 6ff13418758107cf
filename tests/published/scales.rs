//! Scale errors, linearity, friction and class (cases F01–F10, F13), on one table of an
//! instrument for 100 µA: synthetic, made here. All currents in µA.

use super::{DERIVED, close, prints};
use movement::class::{self, Doubt, Verdict};
use movement::fit::linear;
use movement::scale::{LawFit, Linearity, LinearityResult, Mark, hysteresis};
use movement::statistics;
use quantity::{Amps, Uncertain, student_t95};

const FULL_SCALE: Amps = Amps::micro(100.0);
#[rustfmt::skip]
const RISING: [f64; 11] =
    [0.00, 10.31, 20.52, 30.66, 40.58, 50.41, 60.22, 70.05, 79.93, 89.88, 100.12];
#[rustfmt::skip]
const FALLING: [f64; 11] =
    [-0.22, 9.93, 20.11, 30.22, 40.15, 50.02, 59.86, 69.71, 79.62, 89.61, 100.12];

fn mark(k: usize) -> f64 {
    k as f64 / 10.0
}

/// Fiducial errors in percent, given the current at each mark.
fn errors(currents: &[f64]) -> Vec<f64> {
    let error = |(k, current): (usize, &f64)| {
        class::fiducial_error(FULL_SCALE * mark(k), Amps::micro(*current), FULL_SCALE)
    };
    currents.iter().enumerate().map(error).collect()
}

fn largest(values: &[f64]) -> f64 {
    values
        .iter()
        .fold(0.0, |largest: f64, value| largest.max(value.abs()))
}

fn means() -> Vec<f64> {
    RISING
        .iter()
        .zip(FALLING)
        .map(|(up, down)| (up + down) / 2.0)
        .collect()
}

fn judged(definition: Linearity, currents: &[f64]) -> LinearityResult {
    let point = |(k, current): (usize, &f64)| (Amps::micro(*current), mark(k % 11));
    let points: Vec<_> = currents.iter().enumerate().map(point).collect();
    definition.judge(&points).unwrap()
}

/// F01. Derived here: averaging both directions before judging would give a better class.
#[test]
fn f01_class_from_the_table() {
    let (up, down) = (errors(&RISING), errors(&FALLING));
    close(up[3], -0.66, DERIVED);
    let worst = largest(&up).max(largest(&down));
    close(worst, 0.66, DERIVED);
    assert_eq!(class::smallest_class(worst), Some(1.0));
    let averaged = largest(&errors(&means()));
    close(averaged, 0.44, DERIVED);
    assert_eq!(class::smallest_class(averaged), Some(0.5));
    let both: Vec<_> = up
        .iter()
        .chain(&down)
        .map(|e| Uncertain::normal(*e, 0.02, "reference"))
        .collect();
    assert_eq!(class::verdict(1.0, &both, 0.2), Verdict::Within);
    assert_eq!(class::verdict(0.5, &both, 0.1), Verdict::Outside);
}

/// F02. Derived here.
#[test]
fn f02_hysteresis_and_friction() {
    let table: Vec<_> = (0..11)
        .map(|k| Mark {
            mark: mark(k),
            rising: Amps::micro(RISING[k]),
            falling: Amps::micro(FALLING[k]),
        })
        .collect();
    let found = hysteresis(&table, FULL_SCALE).unwrap();
    close(100.0 * found.largest, 0.44, DERIVED);
    assert_eq!(found.at, 0.3);
    close(100.0 * found.mean, 0.37, DERIVED);
    close(100.0 * found.half_width, 0.185, DERIVED);
}

/// F04. Derived here (linear programming and bounded search), printed to nine digits. The slope
/// is in scale fraction per full scale of current.
#[test]
fn f04_linearity_by_named_definitions() {
    let mean = means();
    for (definition, deviation) in [
        (Linearity::Terminal, 0.479_896_239),
        (Linearity::ZeroLeastSquares, 0.430_719_469),
        (Linearity::ZeroMinimax, 0.393_143_936),
        (Linearity::Independent, 0.299_649_439),
    ] {
        // A bounded search ends a little above the least deviation.
        let found = 100.0 * judged(definition, &mean).largest;
        let search = matches!(definition, Linearity::ZeroMinimax | Linearity::Independent);
        prints(found, deviation, if search { 4e-8 } else { 5e-10 });
    }
    let slope = |definition| judged(definition, &mean).slope * FULL_SCALE.get();
    prints(slope(Linearity::ZeroLeastSquares), 0.999_695_121, 5e-10);
    prints(slope(Linearity::Independent), 1.001_613_705, 1e-8);
    prints(
        100.0 * judged(Linearity::LeastSquares, &mean).largest,
        0.346,
        5e-4,
    );
}

/// Derived here: one trim for both directions, and a parabola through zero on the mean curve.
#[test]
fn trim_and_parabola() {
    let all: Vec<f64> = RISING.into_iter().chain(FALLING).collect();
    let trim = judged(Linearity::ZeroMinimax, &all);
    // Two marks decide: 30 rising and 90 falling. (A bounded search gave 0.997755062.)
    close(
        trim.slope * FULL_SCALE.get(),
        120.0 / (30.66 + 89.61),
        DERIVED,
    );
    prints(trim.slope * FULL_SCALE.get(), 0.997_755_062, 2e-8);
    prints(100.0 * trim.largest, 0.591_170_206, 5e-7);
    let design: Vec<_> = means().iter().map(|i| vec![*i, i * i]).collect();
    let marks: Vec<f64> = (0..11).map(|k| 100.0 * mark(k)).collect();
    let fit = linear(&design, &marks, None, &[]).unwrap();
    prints(fit.parameters[0], 0.989_912_270, 5e-10);
    prints(fit.parameters[1], 1.247_147_26e-4, 5e-13);
    prints(largest(&fit.residuals), 0.360_158_673, 5e-10);
}

/// F05. Derived here.
#[test]
fn f05_full_scale_current_three_ways() {
    let mean = means();
    close(mean[10], 100.12, DERIVED);
    let by = |definition| judged(definition, &mean).full_scale.get() * 1e6;
    close(by(Linearity::LeastSquares), 99.929_162_700_151_37, DERIVED);
    close(
        by(Linearity::ZeroLeastSquares),
        100.030_497_246_248_5,
        DERIVED,
    );
    prints(by(Linearity::Terminal), 100.12, 5e-3);
}

/// F06. IEC 60051-2:2018, 5.2.3: the fiducial value is the upper limit (extract at
/// iec.freestandardsdocuments.com).
#[test]
fn f06_fiducial_arithmetic() {
    assert_eq!(class::fiducial_value(0.0, 100.0), 100.0);
    let limit = 1.5;
    let error = |mark: f64, current: f64| {
        class::fiducial_error(Amps::micro(mark), Amps::micro(current), FULL_SCALE)
    };
    for (mark, relative) in [(10.0, 15.0), (20.0, 7.5), (50.0, 3.0)] {
        let shifted = mark * (1.0 + relative / 100.0);
        close(error(shifted, mark), limit, DERIVED);
    }
}

/// F08. IEC 60051-9:2019, 4.2 (extract at 52voa.cn).
#[test]
fn f08_the_reference_takes_a_fifth_of_the_class() {
    let limit = class::reference_limit(1.5, Amps::micro(50.0));
    close(limit.get(), 0.15e-6, DERIVED);
    let good = [Uncertain::exact(0.0)];
    assert_eq!(class::verdict(1.5, &good, 0.3), Verdict::Within);
    assert_eq!(
        class::verdict(1.5, &good, 0.5),
        Verdict::Undecided(Doubt::Reference)
    );
}

/// F09. Derived here; the population formula would give 0.02872.
#[test]
fn f09_repeatability() {
    let readings = [
        49.92, 49.96, 49.88, 49.95, 49.91, 49.97, 49.90, 49.93, 49.94, 49.89,
    ];
    let mean = statistics::mean(&readings).unwrap();
    let s = statistics::sample_sd(&readings).unwrap();
    close(mean, 49.925, DERIVED);
    close(s, 0.030_276_503_540_974_758, DERIVED);
    let result = Uncertain::type_a(mean, s, readings.len(), "scatter");
    close(result.u(), 0.009_574_271_077_563_33, DERIVED);
    close(result.u(), statistics::mean_sd(&readings).unwrap(), DERIVED);
    close(
        student_t95(9.0) * result.u(),
        0.021_658_505_896_681_574,
        DERIVED,
    );
    close(result.expanded95(), 0.021_658_505_896_681_574, DERIVED);
    close(
        statistics::repeatability_limit(s),
        0.085_634_883_857_767_09,
        DERIVED,
    );
}

/// F10. Derived here: a class 1.5 meter on a class 0.5 shunt.
#[test]
fn f10_meter_and_shunt() {
    let meter = Uncertain::rectangular(0.0, 1.5, "meter");
    let both = &meter + Uncertain::rectangular(0.0, 0.5, "shunt");
    close(both.u(), 0.912_870_929_175_277, DERIVED);
    close(both.u() * 3f64.sqrt(), 1.581_138_830_084_189_8, DERIVED);
    // The sum of two rectangles never exceeds the sum of their limits.
    assert!(both.expanded95() < 2.0 && both.expanded95() > meter.expanded95());
}

/// F13. Derived here: a pure square law, and one with a tenth of linear torque.
#[test]
fn f13_exponent_of_a_moving_iron() {
    let currents = [0.2, 0.4, 0.6, 0.8, 1.0];
    let exponent = |law: fn(f64) -> f64| {
        let points = currents.map(|i| (Amps::new(i), law(i)));
        LawFit::power(&points).unwrap().fit.parameters[1]
    };
    close(exponent(|i| i * i), 2.0, DERIVED);
    prints(exponent(|i| 0.9 * i * i + 0.1 * i), 1.789_894_906, 5e-10);
}
