//! Gaussian blur of whole planes.

/// Weights of a Gaussian of this standard deviation, from the middle outwards; they and their
/// mirror images sum to one.
pub(crate) fn weights(sigma: f64) -> Vec<f32> {
    let reach = (3.5 * sigma).ceil() as usize;
    let raw: Vec<f64> = (0..=reach)
        .map(|k| (-0.5 * (k as f64 / sigma.max(1e-6)).powi(2)).exp())
        .collect();
    let total = raw[0] + 2.0 * raw[1..].iter().sum::<f64>();
    raw.iter().map(|w| (w / total) as f32).collect()
}

/// Blurs a plane of this width in place; beyond its borders it continues as at the border.
pub(crate) fn blur(plane: &mut [f32], width: usize, sigma: f64) {
    let weights = weights(sigma);
    let reach = weights.len() - 1;
    let height = plane.len() / width;
    if reach == 0 || height == 0 {
        return;
    }
    let mut padded = vec![0.0; width + 2 * reach];
    for row in plane.chunks_exact_mut(width) {
        padded[..reach].fill(row[0]);
        padded[reach..reach + width].copy_from_slice(row);
        padded[reach + width..].fill(row[width - 1]);
        for (x, out) in row.iter_mut().enumerate() {
            *out = weights[0] * padded[x + reach];
        }
        for (k, weight) in weights.iter().enumerate().skip(1) {
            let (left, right) = (&padded[reach - k..], &padded[reach + k..]);
            for ((out, a), b) in row.iter_mut().zip(left).zip(right) {
                *out += weight * (a + b);
            }
        }
    }
    let source = plane.to_vec();
    let row_of = |y: usize| &source[y * width..(y + 1) * width];
    for (y, out) in plane.chunks_exact_mut(width).enumerate() {
        for (value, middle) in out.iter_mut().zip(row_of(y)) {
            *value = weights[0] * middle;
        }
        for (k, weight) in weights.iter().enumerate().skip(1) {
            let (above, below) = (row_of(y.saturating_sub(k)), row_of((y + k).min(height - 1)));
            for ((value, a), b) in out.iter_mut().zip(above).zip(below) {
                *value += weight * (a + b);
            }
        }
    }
}
