use crate::{Shape, Uncertain, e_n, monte_carlo, student_t95};

fn close(a: f64, b: f64, relative: f64) {
    assert!((a - b).abs() <= relative * b.abs(), "{a} is not {b}");
}

#[test]
fn shared_errors_cancel_in_a_difference_and_add_in_a_sum() {
    let gain = Uncertain::normal(0.0, 3.0, "gain");
    let (a, b) = (10.0 + &gain, 4.0 + &gain);
    assert_eq!((&a - &b).u(), 0.0);
    assert_eq!((&a - &b).value(), 6.0);
    assert_eq!((&a + &b).u(), 6.0);
    assert_eq!(a.correlation(&b), 1.0);
    let own = Uncertain::normal(4.0, 3.0, "another");
    close((&a - &own).u(), 18f64.sqrt(), 1e-15);
    assert_eq!(a.covariance(&own), 0.0);
}

#[test]
fn one_error_has_one_set_of_degrees_of_freedom_however_often_it_is_used() {
    let x = Uncertain::with_dof(2.0, 0.1, 4.0, "x");
    close((&x + &x).dof(), 4.0, 1e-12);
    close((&x * &x).u(), 0.4, 1e-15);
    assert_eq!((&x - &x), Uncertain::exact(0.0));
    assert_eq!(Uncertain::rectangular(1.0, 0.1, "r").dof(), f64::INFINITY);
}

#[test]
fn quotients_and_products_follow_relative_uncertainty() {
    let v = Uncertain::normal(0.1, 1e-4, "v");
    let i = Uncertain::normal(50e-6, 1e-7, "i");
    let r = &v / &i;
    close(r.value(), 2000.0, 1e-12);
    close(r.u() / r.value(), 1e-3f64.hypot(2e-3), 1e-12);
    close((1.0 / &r).u() * 2000.0, 1e-3f64.hypot(2e-3), 1e-12);
    close(
        r.map1(f64::sqrt, |x| 0.5 / x.sqrt()).u(),
        r.u() / (2.0 * 2000f64.sqrt()),
        1e-12,
    );
}

#[test]
fn one_observation_has_no_spread_to_speak_of() {
    let one = Uncertain::type_a(5.0, 0.0, 1, "a");
    assert_eq!(one.u(), f64::INFINITY);
    assert_eq!(one.interval95(), (f64::NEG_INFINITY, f64::INFINITY));
    assert_eq!(student_t95(0.0), f64::INFINITY);
}

#[test]
fn infinite_degrees_of_freedom_survive_json() {
    let x = Uncertain::rectangular(1.0, 0.3, "limit") + Uncertain::type_a(2.0, 0.1, 5, "scatter");
    let text = serde_json::to_string(&x).unwrap();
    assert!(text.contains("\"dof\":null"), "{text}");
    assert_eq!(serde_json::from_str::<Uncertain>(&text).unwrap(), x);
}

#[test]
fn the_budget_is_sorted_and_its_shares_sum_to_one() {
    let x = Uncertain::normal(1.0, 3.0, "b") - Uncertain::rectangular(0.0, 4.0 * 3f64.sqrt(), "a");
    let rows = x.budget();
    assert_eq!(&*rows[0].source.label, "a");
    close(rows[0].contribution, -4.0, 1e-15);
    close(rows[0].share, 0.64, 1e-15);
    assert_eq!((rows[1].source.shape, rows[1].share), (Shape::Normal, 0.36));
}

/// 95 % points of sums, integrated numerically here: density of one error convolved with the
/// normal distribution function of the rest.
#[test]
fn intervals_are_right_within_half_a_percent() {
    let rect = |a: f64, l: &str| Uncertain::rectangular(0.0, a, l);
    close(rect(1.0, "a").expanded95(), 0.95, 1e-3);
    // Trapezium of rectangles 1 and 0.5: the upper tail holds (1.5 − x)²/4 = 0.025.
    close(
        (rect(1.0, "a") + rect(0.5, "b")).expanded95(),
        1.5 - 0.1f64.sqrt(),
        1e-3,
    );
    let tri = Uncertain::triangular(0.0, 1.0, "t");
    close(tri.expanded95(), 1.0 - 0.05f64.sqrt(), 1e-3);
    let u_shaped = Uncertain::u_shaped(0.0, 1.0, "u");
    close(
        u_shaped.expanded95(),
        (0.475 * std::f64::consts::PI).sin(),
        2e-3,
    );
    for sigma in [0.1, 0.3, 0.577, 1.0, 3.0] {
        let sum = rect(1.0, "a") + Uncertain::normal(0.0, sigma, "n");
        close(sum.expanded95(), rectangle_and_normal(sigma), 5e-3);
    }
}

/// Solves mean over the rectangle of P(|x + normal| ≤ h) = 0.95 by bisection.
fn rectangle_and_normal(sigma: f64) -> f64 {
    let phi = |z: f64| 0.5 * statrs::function::erf::erfc(-z / 2f64.sqrt());
    let held = |h: f64| {
        let at = |k: i32| (f64::from(k) + 0.5) / 2000.0 * 2.0 - 1.0;
        (0..2000)
            .map(|k| phi((h - at(k)) / sigma) - phi((-h - at(k)) / sigma))
            .sum::<f64>()
            / 2e3
    };
    let (mut low, mut high) = (0.0, 1.0 + 5.0 * sigma);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if held(middle) < 0.95 {
            low = middle
        } else {
            high = middle
        }
    }
    low
}

#[test]
fn a_propagated_interval_agrees_with_draws() {
    let x = Uncertain::rectangular(1.0, 2.0, "a")
        + Uncertain::rectangular(0.0, 2.0, "b")
        + Uncertain::type_a(0.0, 2.0, 4, "t")
        + Uncertain::normal(0.0, 0.3, "n");
    let drawn = monte_carlo(|v| v[0], &[&x], 2_000_000, 7).unwrap();
    close(x.expanded95(), (drawn.high95 - drawn.low95) / 2.0, 3e-3);
    assert_eq!(x.interval95(), x.clone().interval95());
}

#[test]
fn draws_keep_shared_errors_together() {
    let gain = Uncertain::rectangular(1.0, 0.1, "gain");
    let (a, b) = (&gain * 5.0, &gain * 4.0);
    let ratio = monte_carlo(|v| v[0] / v[1], &[&a, &b], 2000, 1).unwrap();
    assert!(ratio.sd < 1e-12);
    assert!(monte_carlo(|v| v[0].ln(), &[&-a], 2000, 1).is_err());
    assert!(monte_carlo(|v| v[0], &[&b], 20, 1).is_err());
}

#[test]
fn agreement_is_judged_by_the_difference() {
    let shared = Uncertain::normal(0.0, 10.0, "sense");
    let a = 100.0 + &shared + Uncertain::normal(0.0, 1.0, "a");
    let b = 104.0 + &shared + Uncertain::normal(0.0, 1.0, "b");
    close(e_n(&a, &b), 4.0 / (1.959963984540054 * 2f64.sqrt()), 1e-9);
    assert_eq!(e_n(&Uncertain::exact(1.0), &Uncertain::exact(1.0)), 0.0);
    assert_eq!(
        e_n(&Uncertain::exact(1.0), &Uncertain::exact(2.0)),
        f64::INFINITY
    );
}

#[test]
fn a_covariance_matrix_becomes_named_errors() {
    let covariance = vec![vec![4.0, -1.0], vec![-1.0, 9.0]];
    let x = Uncertain::correlated(&[1.0, 2.0], &covariance, &["p", "q"]).unwrap();
    close(x[0].u(), 2.0, 1e-15);
    close(x[1].u(), 3.0, 1e-15);
    close(x[0].covariance(&x[1]), -1.0, 1e-15);
    let singular = vec![vec![1.0, 1.0], vec![1.0, 1.0]];
    let same = Uncertain::correlated(&[1.0, 1.0], &singular, &["p", "q"]).unwrap();
    assert_eq!((&same[0] - &same[1]).u(), 0.0);
    let impossible = vec![vec![1.0, 2.0], vec![2.0, 1.0]];
    assert!(Uncertain::correlated(&[1.0, 1.0], &impossible, &["p", "q"]).is_err());
    assert!(Uncertain::correlated(&[1.0], &impossible, &["p"]).is_err());
}

proptest::proptest! {
    #[test]
    fn no_number_makes_an_interval_panic(
        value in proptest::num::f64::ANY,
        size in proptest::num::f64::ANY,
        dof in proptest::num::f64::ANY,
        share in 0.0f64..2.0,
    ) {
        let t = Uncertain::with_dof(value, size, dof, "t");
        let x = &t + Uncertain::rectangular(value, share * size, "r");
        let (low, high) = x.interval95();
        let half = x.expanded95();
        proptest::prop_assert!(half >= 0.0 || half.is_nan());
        proptest::prop_assert!(low <= high || low.is_nan() || high.is_nan());
        let _ = (e_n(&x, &t), student_t95(dof), x.dof(), (&x / &t).budget());
        let _ = monte_carlo(|v| v[0] * v[1], &[&x, &t], 1000, 1);
    }
}
