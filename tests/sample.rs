//! A sample of the campaign; the whole of it is `cargo xtask campaign`.

use needlerig::session::PICTURELESS_RIG;
use needlerig_tests::campaign::{Summary, seed, trial};
use procedure::Depth;

/// Movements in the sample.
const COUNT: u64 = 120;

#[test]
fn a_sample_of_random_movements_keeps_the_promise() {
    let trials: Vec<_> = (0..COUNT)
        .map(|n| trial(&PICTURELESS_RIG, seed("sample", n), Depth::Full).unwrap())
        .collect();
    let summary = Summary::new(&trials);
    println!("{summary}");
    assert!(summary.broken(1.02).is_empty(), "{summary}");
    assert!(summary.results() >= 0.97, "{summary}");
    assert!(summary.covers(), "{summary}");
}
