//! Published checks: cases with a named source and the figures printed there, or worked out here
//! from stated inputs ("derived here"). What was not looked up is marked "from memory".

mod budget;
mod circuits;
mod copper;
mod least_squares;
mod motion;
mod ngspice;
mod resistance;
mod scales;
mod uncertainty;

/// Within a relative tolerance of the published figure.
#[track_caller]
fn close(found: f64, published: f64, tolerance: f64) {
    let off = (found - published).abs();
    assert!(
        off <= tolerance * published.abs(),
        "{found} where {published} is published"
    );
}

/// Within an absolute tolerance, for printed figures: half a unit of the last digit printed.
#[track_caller]
fn prints(found: f64, printed: f64, half_digit: f64) {
    let off = (found - printed).abs();
    assert!(
        off <= half_digit * (1.0 + 1e-9),
        "{found} where {printed} is printed"
    );
}

/// For figures derived here in double precision.
const DERIVED: f64 = 1e-9;
