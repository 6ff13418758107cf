//! A sample of the campaign; the whole of it is `cargo xtask campaign`.

use needlerig_tests::campaign::{Summary, seed, trial};
use procedure::Depth;

/// Movements in the sample.
const COUNT: u64 = 120;

#[test]
fn a_sample_of_random_movements_keeps_the_promise() {
    let trials: Vec<_> = (0..COUNT)
        .map(|n| trial(seed("sample", n), Depth::Full).unwrap())
        .collect();
    let summary = Summary::new(&trials);
    println!("{summary}");
    assert!(summary.broken(1.02).is_empty(), "{summary}");
    assert!(summary.results() >= 0.97, "{summary}");
    // Exact binomial limits for 95 % of 120 at 1 in 10,000: 104 of 120.
    let (current, ohms) = summary.coverage();
    assert!(current >= 0.866 && ohms >= 0.866, "{summary}");
}
