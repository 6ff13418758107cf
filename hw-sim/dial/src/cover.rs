//! Which share of each pixel a polygon covers: exact areas, no sampling.
//!
//! An edge changes the covered share of the pixel that it crosses, and of all to the right of it.
//! Each piece of an edge within one pixel enters its signed area there and the rest one pixel
//! further; the running sum along a row then is the coverage.

use crate::space::Spot;

/// The coverage of one polygon: rows of pixels, each only as wide as the polygon.
#[derive(Debug, Clone, Default)]
pub struct Cover {
    top: usize,
    rows: Vec<Row>,
    shares: Vec<f32>,
}

/// Where a row begins: its column, and its place among the shares.
#[derive(Debug, Clone, Copy)]
struct Row {
    from: usize,
    to: usize,
    start: usize,
}

impl Cover {
    /// Coverage of a polygon without self-intersections, in a picture of this size.
    pub fn of(outline: &[Spot], size: (usize, usize)) -> Self {
        let low = outline.iter().fold(f64::MAX, |m, p| m.min(p[1]));
        let high = outline.iter().fold(f64::MIN, |m, p| m.max(p[1]));
        let top = low.clamp(0.0, size.1 as f64) as usize;
        let bottom = high.ceil().clamp(top as f64, size.1 as f64) as usize;
        let none = Row {
            from: usize::MAX,
            to: 0,
            start: 0,
        };
        let mut cover = Cover {
            top,
            rows: vec![none; bottom - top],
            shares: Vec::new(),
        };
        let edges = || {
            let before = outline.iter().cycle().skip(outline.len().saturating_sub(1));
            before.zip(outline)
        };
        for (start, end) in edges() {
            let rows = &mut cover.rows;
            pieces(*start, *end, (top, bottom), |row, ends, _| {
                let column = |x: f64| x.clamp(0.0, size.0 as f64) as usize;
                let row = &mut rows[row - top];
                row.from = row.from.min(column(ends.0.min(ends.1)));
                // One more than the last: what an edge ends, it ends one pixel further.
                row.to = row.to.max(column(ends.0.max(ends.1)) + 2);
            });
        }
        let mut total = 0;
        for row in &mut cover.rows {
            row.start = total;
            total += row.to.saturating_sub(row.from);
        }
        cover.shares = vec![0.0; total];
        for (start, end) in edges() {
            pieces(*start, *end, (top, bottom), |row, ends, height| {
                let Row { from, to, start } = cover.rows[row - top];
                let offset = from as f64;
                let ends = (ends.0 - offset, ends.1 - offset);
                enter(&mut cover.shares[start..][..to - from], ends, height);
            });
        }
        cover.sum_up(size.0);
        cover
    }

    /// The coverage as a lens would show it that blurs with a standard deviation of
    /// [`Cover::SOFTNESS`]. Exact areas alone, sampled once per pixel, would displace edges that
    /// run along rows or columns by up to 0.03 px once they are blurred.
    pub(crate) fn soft(outline: &[Spot], size: (usize, usize)) -> Self {
        // Half pixels, and a border of one pixel, since what lies outside the picture counts.
        let doubled: Vec<Spot> = outline
            .iter()
            .map(|p| [2.0 * (p[0] + 1.0), 2.0 * (p[1] + 1.0)])
            .collect();
        let fine = Cover::of(&doubled, (2 * size.0 + 4, 2 * size.1 + 4));
        let bottom = fine.top + fine.rows.len();
        let first = (fine.top / 2).saturating_sub(2).min(size.1);
        let last = (bottom / 2 + 1).min(size.1);
        let mut cover = Cover {
            top: first,
            rows: Vec::with_capacity(last - first),
            shares: Vec::new(),
        };
        let mut sum = Vec::new();
        for y in first..last {
            let near = [2 * y + 1, 2 * y + 2, 2 * y + 3, 2 * y + 4].map(|row| fine.row(row));
            let from = near.iter().map(|row| row.0).min().unwrap_or(usize::MAX);
            let to = near
                .iter()
                .map(|row| row.0 + row.1.len())
                .max()
                .unwrap_or(0);
            let start = cover.shares.len();
            if from >= to {
                cover.rows.push(Row {
                    from: 0,
                    to: 0,
                    start,
                });
                continue;
            }
            let left = (from / 2).saturating_sub(2).min(size.0);
            let right = (to / 2 + 1).clamp(left, size.0);
            // Fine columns 2 left + 1 to 2 right + 2 are needed.
            sum.clear();
            sum.resize(2 * (right - left) + 2, 0.0);
            for ((from, shares), weight) in near.iter().zip(HAT) {
                let skip = (2 * left + 1).saturating_sub(*from);
                let at = (from + skip).saturating_sub(2 * left + 1);
                for (sum, share) in sum.iter_mut().skip(at).zip(shares.iter().skip(skip)) {
                    *sum += weight * share;
                }
            }
            let reduced = sum.windows(4).step_by(2);
            cover
                .shares
                .extend(reduced.map(|near| near.iter().zip(HAT).map(|(s, w)| s * w).sum::<f32>()));
            cover.rows.push(Row {
                from: left,
                to: right,
                start,
            });
        }
        cover
    }

    /// Variance of the blur that [`Cover::soft`] contains beyond the pixel's own area, px².
    pub(crate) const SOFTNESS: f64 = 0.125;

    /// Rows with their first column and shares; rows without any are left out.
    pub fn rows(&self) -> impl Iterator<Item = (usize, usize, &[f32])> {
        let row = |(at, row): (usize, &Row)| {
            let shares = self.shares.get(row.start..row.start + row.to - row.from)?;
            Some((self.top + at, row.from, shares))
        };
        self.rows
            .iter()
            .enumerate()
            .filter(|(_, row)| row.from < row.to)
            .filter_map(row)
    }

    /// First column and shares of a row of the picture.
    fn row(&self, y: usize) -> (usize, &[f32]) {
        let found = y.checked_sub(self.top).and_then(|at| self.rows.get(at));
        match found {
            Some(row) if row.from < row.to => {
                (row.from, &self.shares[row.start..][..row.to - row.from])
            }
            _ => (usize::MAX, &[]),
        }
    }

    /// Turns the entries into coverage, and cuts off what is right of the picture.
    fn sum_up(&mut self, width: usize) {
        for row in &mut self.rows {
            if row.from >= row.to {
                continue;
            }
            let mut sum = 0.0;
            for share in &mut self.shares[row.start..][..row.to - row.from] {
                sum += *share;
                *share = sum.abs().min(1.0);
            }
            row.to = row.to.min(width);
            row.from = row.from.min(row.to);
        }
    }
}

/// Weights with which four half pixels make a soft pixel.
const HAT: [f32; 4] = [0.125, 0.375, 0.375, 0.125];

/// Cuts an edge at the borders of rows: each piece's row, columns at its two ends, and height,
/// positive downwards.
fn pieces(
    start: Spot,
    end: Spot,
    (top, bottom): (usize, usize),
    mut each: impl FnMut(usize, (f64, f64), f64),
) {
    let (sign, [x0, y0], [x1, y1]) = if start[1] < end[1] {
        (1.0, start, end)
    } else {
        (-1.0, end, start)
    };
    let slope = (x1 - x0) / (y1 - y0);
    let first = y0.max(top as f64) as usize;
    let last = y1.ceil().clamp(0.0, bottom as f64) as usize;
    for row in first..last {
        let from = y0.max(row as f64);
        let to = y1.min(row as f64 + 1.0);
        if to > from {
            let ends = (x0 + slope * (from - y0), x0 + slope * (to - y0));
            each(row, ends, sign * (to - from));
        }
    }
}

/// Enters a piece of an edge into its row: it runs between these columns and covers `height` of
/// the row, signed. What lies left of the row counts for all of it, what lies right of it not.
fn enter(row: &mut [f32], ends: (f64, f64), height: f64) {
    let (a, b) = (ends.0.min(ends.1), ends.0.max(ends.1));
    let mut put = |x: f64, middle: f64, height: f64| {
        let at = x as usize;
        if let Some([here, next]) = row.get_mut(at..at + 2) {
            *here += (height * (1.0 - middle)) as f32;
            *next += (height * middle) as f32;
        }
    };
    if b - a < 1e-12 {
        let x = a.max(0.0);
        put(x, x.fract(), height);
        return;
    }
    let per_column = height / (b - a);
    if a < 0.0 {
        put(0.0, 0.0, per_column * (b.min(0.0) - a));
    }
    let mut x = a.max(0.0);
    while x < b {
        let next = b.min(x.floor() + 1.0);
        put(x, 0.5 * (x + next) - x.floor(), per_column * (next - x));
        x = next;
    }
}
