use super::*;
use crate::dynamics::Damped;
use quantity::Seconds;

#[test]
fn stated_uncertainties_weigh_and_scatter_does_not() {
    let (x, y) = ([0.0, 1.0, 2.0], [1.0, 3.2, 5.0]);
    let equal = straight_line(&x, &y, Some(&[0.1; 3])).unwrap();
    // Textbook: var(slope) = σ²/Σ(x − mean)².
    assert!((equal.u(1) - 0.1 / 2f64.sqrt()).abs() < 1e-14);
    let trusting = straight_line(&x, &y, Some(&[1e-3, 10.0, 1e-3])).unwrap();
    assert!((trusting.parameters[1] - 2.0).abs() < 1e-6);
    assert!((trusting.residuals[1] - 0.2).abs() < 1e-6);
    assert_eq!((trusting.dof, trusting.stated), (1, true));
}

#[test]
fn a_prior_counts_as_one_more_reading() {
    let prior = Prior {
        parameter: 0,
        value: 12.0,
        u: 1.0,
    };
    let fit = linear(&[vec![1.0]], &[10.0], Some(&[1.0]), &[prior]).unwrap();
    assert!((fit.parameters[0] - 11.0).abs() < 1e-14);
    assert!((fit.u(0) - 0.5f64.sqrt()).abs() < 1e-14);
    assert!((fit.chi2 - 2.0).abs() < 1e-12);
    assert_eq!(fit.dof, 1);
}

#[test]
fn an_error_that_all_readings_share_is_not_averaged_away() {
    let gain = quantity::Uncertain::normal(1.0, 0.01, "gain");
    let data: Vec<_> = [1.0, 2.0, 3.0].map(|v| &gain * (2.0 * v)).into();
    let y: Vec<f64> = data.iter().map(quantity::Uncertain::value).collect();
    let fit = through_origin(&[1.0, 2.0, 3.0], &y, Some(&[0.1; 3])).unwrap();
    assert!((fit.propagate(&data)[0].u() - 0.02).abs() < 1e-14);
}

#[test]
fn what_data_cannot_tell_is_an_error() {
    let same = [2.0; 4];
    let undetermined = straight_line(&same, &[1.0, 2.0, 3.0, 4.0], None);
    assert!(
        matches!(undetermined, Err(FitError::Undetermined { .. })),
        "{undetermined:?}"
    );
    assert!(matches!(
        straight_line(&[1.0], &[1.0], None),
        Err(FitError::TooFew { .. })
    ));
    assert!(matches!(
        straight_line(&[1.0, 2.0], &[1.0], None),
        Err(FitError::Lengths { .. })
    ));
    let nan = straight_line(&[1.0, 2.0, 3.0], &[1.0, f64::NAN, 2.0], None);
    assert_eq!(nan, Err(FitError::NotUsable { index: 1 }));
    let zero = straight_line(&[1.0, 2.0, 3.0], &[1.0, 1.0, 2.0], Some(&[1.0, 0.0, 1.0]));
    assert_eq!(zero, Err(FitError::NotUsable { index: 1 }));
    assert!(straight_line(&[1.0, f64::INFINITY, 3.0], &[1.0; 3], None).is_err());
    assert!(linear(&[], &[], None, &[]).is_err());
}

#[test]
fn parameters_of_any_size_are_found() {
    let x: Vec<f64> = (0..5).map(|k| 1e-6 * f64::from(k)).collect();
    let y: Vec<f64> = x.iter().map(|x| 3e-9 + 2e3 * x).collect();
    let fit = straight_line(&x, &y, Some(&[1e-9; 5])).unwrap();
    assert!((fit.parameters[1] - 2e3).abs() < 1e-6);
}

/// A repeatable scatter of unit variance, not quite Gaussian.
fn scatter(k: usize) -> f64 {
    let uniform = |k: usize| ((k as f64 * 0.618_033_988_749_895).fract() - 0.5) * 12f64.sqrt();
    (uniform(k) + uniform(7 * k + 3) + uniform(31 * k + 11)) / 3f64.sqrt()
}

fn trace(needle: Damped, from: f64, to: f64, noise: f64) -> Vec<(Seconds, f64)> {
    (0..250)
        .map(|k| {
            let t = Seconds::new(0.02 + 0.02 * k as f64);
            (t, to + (from - to) * needle.left(t) + noise * scatter(k))
        })
        .collect()
}

#[test]
fn period_and_damping_are_found_in_noise_within_their_uncertainty() {
    for (period, damping) in [(1.0, 0.05), (1.2, 0.3), (0.4, 0.15), (2.2, 0.7), (1.0, 1.1)] {
        let needle = Damped::new(Seconds::new(period), damping);
        let found = response(&trace(needle, 0.4, 0.05, 0.002), Some(0.002)).unwrap();
        let off = |k: usize, truth: f64| (found.fit.parameters[k] - truth).abs() / found.fit.u(k);
        assert!(off(0, period) < 3.5, "{period} {damping}: {found:?}");
        assert!(off(1, damping) < 3.5, "{period} {damping}: {found:?}");
        assert!(
            off(2, 0.4) < 3.5 && off(3, 0.05) < 3.5,
            "{period} {damping}: {found:?}"
        );
        assert!(
            found.fit.u(0) < 0.1 * period,
            "{period} {damping}: {}",
            found.fit.u(0)
        );
    }
}

#[test]
fn an_over_damped_record_tells_its_slow_time_constant() {
    let needle = Damped::new(Seconds::new(0.5), 4.0);
    let found = response(&trace(needle, 0.0, 0.6, 0.004), None).unwrap();
    let (slow, u) = found.slowest;
    assert!((slow - needle.slowest()).abs() < 4.0 * u, "{found:?}");
    assert!(u.get() < 0.1 * slow.get(), "{u} of {slow}");
    assert!(found.fit.u(1) > 0.02 * found.fit.parameters[1]);
}

#[test]
fn traces_without_motion_or_numbers_are_refused() {
    let still: Vec<_> = (0..50)
        .map(|k| (Seconds::new(0.02 * f64::from(k)), 0.3))
        .collect();
    assert!(response(&still, Some(1e-3)).is_err());
    assert!(response(&still[..3], None).is_err());
    let mut broken = still;
    broken[3].1 = f64::NAN;
    assert_eq!(
        response(&broken, None),
        Err(FitError::NotUsable { index: 3 })
    );
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config::with_cases(64))]
    #[test]
    fn no_data_make_a_fit_panic(
        data in proptest::collection::vec((proptest::num::f64::ANY, proptest::num::f64::ANY), 0..12),
        u in proptest::num::f64::ANY,
    ) {
        let (x, y): (Vec<f64>, Vec<f64>) = data.iter().copied().unzip();
        let _ = (straight_line(&x, &y, None), straight_line(&x, &y, Some(&vec![u; x.len()])));
        let trace: Vec<_> = data.iter().map(|(t, y)| (Seconds::new(t.abs()), *y)).collect();
        let _ = (response(&trace, None), response(&trace, Some(u)));
    }
}
