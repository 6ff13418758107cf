//! Lettering: a stroke alphabet of figures and unit signs, drawn as polygons.

use crate::space::Point;

/// Strokes of a character on a grid 4 wide and 6 high, y down; each pair of digits is a point,
/// a space lifts the pen.
fn strokes(letter: char) -> &'static str {
    match letter {
        '0' => "103041453616050110",
        '1' => "112026",
        '2' => "01103041420646",
        '3' => "01103041423313 334445361605",
        '4' => "3630041444",
        '5' => "400002324345361605",
        '6' => "3010010516364543321203",
        '7' => "00401626",
        '8' => "103041423313020110 1304051636454433",
        '9' => "1636454130100103143443",
        '.' => "0506",
        '-' => "1333",
        'V' => "002640",
        'A' => "062046 1434",
        'm' => "0602 031222332326 33424346",
        'u' => "0702 05162635 3236",
        'k' => "0600 0432 1436",
        'D' => "002041452606 0600",
        'C' => "4130100105163645",
        '%' => "0640 0001111000 3536464535",
        'W' => "0016203640",
        _ => "",
    }
}

/// Width of a text of this height.
pub(crate) fn width(text: &str, height: f64) -> f64 {
    text.chars().map(advance).sum::<f64>() * height / 6.0
}

/// From one character to the next, in units of the grid.
fn advance(letter: char) -> f64 {
    if letter == '.' { 2.6 } else { 5.4 }
}

/// A text, centred at a place of the dial, this high.
pub(crate) fn write(text: &str, middle: [f64; 2], height: f64) -> Vec<Vec<Point>> {
    let unit = height / 6.0;
    let mut left = middle[0] - 0.5 * width(text, height) + 0.7 * unit;
    let mut quads = Vec::new();
    for letter in text.chars() {
        for line in strokes(letter).split(' ') {
            let digits: Vec<f64> = line.bytes().map(|digit| f64::from(digit - b'0')).collect();
            let points: Vec<[f64; 2]> = digits
                .chunks_exact(2)
                .map(|p| [left + p[0] * unit, middle[1] + (p[1] - 3.0) * unit])
                .collect();
            quads.extend(points.windows(2).map(|p| quad(p[0], p[1], 0.75 * unit)));
        }
        left += advance(letter) * unit;
    }
    quads
}

/// A line from `a` to `b`, a little longer at both ends so that corners close.
fn quad(a: [f64; 2], b: [f64; 2], width: f64) -> Vec<Point> {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1e-9);
    let along = [(b[0] - a[0]) / length, (b[1] - a[1]) / length];
    let half = 0.5 * width;
    let corner = |p: [f64; 2], ahead: f64, aside: f64| {
        [
            p[0] + half * (ahead * along[0] - aside * along[1]),
            p[1] + half * (ahead * along[1] + aside * along[0]),
            0.0,
        ]
    };
    vec![
        corner(a, -0.8, -1.0),
        corner(b, 0.8, -1.0),
        corner(b, 0.8, 1.0),
        corner(a, -0.8, 1.0),
    ]
}
