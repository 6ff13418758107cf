//! Which share of each pixel a polygon covers: exact areas, no sampling.
//!
//! An edge changes the covered share of the pixel that it crosses, and of all to the right of it.
//! Each piece of an edge within one pixel enters its signed area there and the rest one pixel
//! further; the running sum along a row then is the coverage.

use crate::space::Spot;

/// The coverage of one polygon, within its bounding box.
#[derive(Debug, Clone, Default)]
pub struct Cover {
    /// First column and row of the box.
    pub left: usize,
    /// First row of the box.
    pub top: usize,
    width: usize,
    spans: Vec<(usize, usize)>,
    shares: Vec<f32>,
}

impl Cover {
    /// Coverage of a polygon without self-intersections, in a picture of this size.
    pub fn of(outline: &[Spot], size: (usize, usize)) -> Self {
        let range = |axis: usize, most: usize| {
            let low = outline.iter().fold(f64::MAX, |m, p| m.min(p[axis]));
            let high = outline.iter().fold(f64::MIN, |m, p| m.max(p[axis]));
            let first = low.floor().clamp(0.0, most as f64) as usize;
            (first, high.ceil().clamp(first as f64, most as f64) as usize)
        };
        let (left, right) = range(0, size.0);
        let (top, bottom) = range(1, size.1);
        let mut cover = Cover {
            left,
            top,
            width: right - left + 1,
            spans: vec![(usize::MAX, 0); bottom - top],
            shares: vec![0.0; (right - left + 1) * (bottom - top)],
        };
        for (at, &end) in outline.iter().enumerate() {
            let start = outline[(at + outline.len() - 1) % outline.len()];
            cover.edge(
                [start[0] - left as f64, start[1] - top as f64],
                [end[0] - left as f64, end[1] - top as f64],
            );
        }
        cover.sum_up();
        cover
    }

    /// Rows with their first column and shares; rows without any are left out.
    pub fn rows(&self) -> impl Iterator<Item = (usize, usize, &[f32])> {
        let wide = self.width;
        let row = move |(at, &(from, to)): (usize, &(usize, usize))| {
            let shares = self.shares.get(at * wide + from..at * wide + to)?;
            Some((self.top + at, self.left + from, shares))
        };
        self.spans
            .iter()
            .enumerate()
            .filter(|(_, span)| span.0 < span.1)
            .filter_map(row)
    }

    /// Enters one edge, row by row and pixel by pixel.
    fn edge(&mut self, start: Spot, end: Spot) {
        if start[1] == end[1] {
            return;
        }
        let (sign, [x0, y0], [x1, y1]) = if start[1] < end[1] {
            (1.0, start, end)
        } else {
            (-1.0, end, start)
        };
        let slope = (x1 - x0) / (y1 - y0);
        let first = y0.max(0.0) as usize;
        let last = y1.ceil().clamp(0.0, self.spans.len() as f64) as usize;
        for row in first..last {
            let from = y0.max(row as f64);
            let to = y1.min(row as f64 + 1.0);
            if to > from {
                let ends = (x0 + slope * (from - y0), x0 + slope * (to - y0));
                self.row_piece(row, ends, sign * (to - from));
            }
        }
    }

    /// Enters an edge's piece within a row: it runs between these columns and covers `height` of
    /// the row, signed.
    fn row_piece(&mut self, row: usize, ends: (f64, f64), height: f64) {
        let (a, b) = (ends.0.min(ends.1), ends.0.max(ends.1));
        let per_column = if b > a { height / (b - a) } else { 0.0 };
        let most = (self.width - 1) as f64;
        let mut x = a;
        // What lies left of the box covers whole pixels, what lies right of it none.
        if x < 0.0 {
            let out = b.min(0.0) - x;
            self.enter(row, 0, if b > a { per_column * out } else { height }, 0.0);
            x = 0.0;
        }
        if b == a {
            if (0.0..most).contains(&a) {
                self.enter(row, a as usize, height, a.fract());
            }
            return;
        }
        while x < b && x < most {
            let cell = x as usize;
            let next = b.min(cell as f64 + 1.0);
            let middle = 0.5 * (x + next) - cell as f64;
            self.enter(row, cell, per_column * (next - x), middle);
            x = next;
        }
    }

    fn enter(&mut self, row: usize, column: usize, height: f64, middle: f64) {
        let span = &mut self.spans[row];
        span.0 = span.0.min(column);
        span.1 = span.1.max(column + 2);
        let at = row * self.width + column;
        self.shares[at] += (height * (1.0 - middle)) as f32;
        if column + 1 < self.width {
            self.shares[at + 1] += (height * middle) as f32;
        }
    }

    /// Turns the entries into coverage. The column right of the box holds nothing by then.
    fn sum_up(&mut self) {
        let inside = self.width - 1;
        for (row, span) in self.spans.iter_mut().enumerate() {
            span.1 = span.1.min(inside);
            let mut sum = 0.0;
            for share in &mut self.shares[row * self.width..][..inside][span.0.min(span.1)..span.1]
            {
                sum += *share;
                *share = sum.abs().min(1.0);
            }
        }
    }
}
