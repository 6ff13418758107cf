use super::*;

fn points(law: Law) -> Vec<(Amps, f64)> {
    (1..=5)
        .map(|k| f64::from(k) / 5.0)
        .map(|d| (law.current(d), d))
        .collect()
}

#[test]
fn each_law_is_found_again_from_its_own_marks() {
    let full_scale = Amps::micro(200.0);
    let square = Law::Power {
        full_scale,
        exponent: 2.0,
    };
    let Law::Power {
        full_scale: found,
        exponent,
    } = LawFit::power(&points(square)).unwrap().law
    else {
        panic!("not a power law")
    };
    assert!((found / full_scale - 1.0).abs() < 1e-12 && (exponent - 2.0).abs() < 1e-12);
    let offset = LawFit::offset(&points(Law::Offset {
        start: Amps::micro(100.0),
        full_scale,
    }));
    let Law::Offset { start, .. } = offset.unwrap().law else {
        panic!("not an offset law")
    };
    assert!((start / Amps::micro(100.0) - 1.0).abs() < 1e-9);
    let wrong = LawFit::linear(&points(square)).unwrap();
    assert!(wrong.largest() > 0.1 && wrong.rms() > 0.05);
    assert!(LawFit::power(&[(Amps::ZERO, 0.0)]).is_err());
}

#[test]
fn the_local_exponent_tells_a_suppressed_zero_from_a_square_law() {
    let sight = |law: Law, d: f64| (law.current(d), d, 0.002);
    let square = Law::Power {
        full_scale: Amps::new(1.0),
        exponent: 2.0,
    };
    let (n, u) = exponent(sight(square, 0.02), sight(square, 0.08)).unwrap();
    assert!((n - 2.0).abs() < 1e-12);
    assert!((u - 0.1f64.hypot(0.025) / 2f64.ln()).abs() < 1e-12);
    let half = Law::Offset {
        start: Amps::new(0.5),
        full_scale: Amps::new(1.0),
    };
    assert!(exponent(sight(half, 0.02), sight(half, 0.04)).unwrap().0 > 20.0);
    assert_eq!(
        exponent((Amps::new(1.0), 0.1, 0.0), (Amps::new(1.0), 0.2, 0.0)),
        None
    );
    assert_eq!(
        exponent((Amps::new(1.0), -0.1, 0.0), (Amps::new(2.0), 0.2, 0.0)),
        None
    );
}

#[test]
fn no_line_beats_the_independent_one() {
    let bent: Vec<_> = (0..=10)
        .map(|k| f64::from(k) / 10.0)
        .map(|x| (Amps::new(x), x + 0.02 * (9.0 * x).sin()))
        .collect();
    let best = Linearity::Independent.judge(&bent).unwrap();
    for other in [
        Linearity::Terminal,
        Linearity::LeastSquares,
        Linearity::ZeroMinimax,
        Linearity::ZeroLeastSquares,
    ] {
        assert!(
            other.judge(&bent).unwrap().largest >= best.largest,
            "{other:?}"
        );
    }
    for (shift, tilt) in [(1e-4, 0.0), (-1e-4, 0.0), (0.0, 1e-3), (0.0, -1e-3)] {
        let at = |(x, y): &(Amps, f64)| {
            (y - best.intercept - shift - (best.slope + tilt) * x.get()).abs()
        };
        assert!(bent.iter().map(at).fold(0.0, f64::max) > best.largest);
    }
    assert!(Linearity::Terminal.judge(&bent[..2]).is_err());
    assert!(Linearity::Terminal.judge(&[bent[0]; 4]).is_err());
}

#[test]
fn hysteresis_needs_inner_marks() {
    let mark = Mark {
        mark: 0.5,
        rising: Amps::new(0.51),
        falling: Amps::new(0.49),
    };
    assert!(hysteresis(&[mark; 2], Amps::new(1.0)).is_err());
    let found = hysteresis(&[mark; 3], Amps::new(1.0)).unwrap();
    assert!((found.half_width - 0.01).abs() < 1e-12);
}
