//! What the set-up pictures taught about the needle: its tone, and in each row how much of it is
//! seen, how wide it is, and whether the row can be trusted.

use super::line::{Sample, fit, median};
use super::table::Table;
use super::trace::{Row, Trace};

/// What is known of the needle, row by row.
#[derive(Clone, Debug)]
pub(crate) struct Learned {
    /// Tone of the needle.
    pub(crate) needle: f32,
    pub(crate) amplitude: Vec<f64>,
    pub(crate) width: Vec<f64>,
    /// 0 to 1.
    pub(crate) trust: Vec<f64>,
    /// Way on either side of the needle on which its shadow or mirror image may lie.
    pub(crate) halo: f64,
    taught: bool,
}

impl Learned {
    /// Before the first picture: every row outside of bands is as good as any other.
    pub(crate) fn nothing(table: &Table, needle: f32) -> Self {
        let rows = table.rows();
        Self {
            needle,
            amplitude: vec![1.0; rows],
            width: vec![1.0; rows],
            trust: banded(table),
            halo: 0.0,
            taught: false,
        }
    }

    /// How far from the pivot the needle could be followed, as a share of how far the table reaches.
    pub(crate) fn followed(&self, table: &Table) -> f64 {
        let along = &table.layout.along;
        let trusted = along.iter().zip(&self.trust).filter(|(_, t)| **t > 0.0);
        let farthest = trusted.map(|(along, _)| *along).fold(0.0, f64::max);
        farthest / along.last().copied().unwrap_or(f64::INFINITY).max(1.0)
    }

    /// How far from the rough place the crest of a row may lie, in columns of `pixels` width.
    pub(crate) fn reach(&self, row: usize, pixels: f64) -> f64 {
        let width = if self.taught { self.width[row] } else { 8.0 };
        (width + 4.0) / pixels
    }

    /// Whether a row shows a needle as it was in the set-up pictures.
    pub(crate) fn plausible(&self, row: &Row) -> bool {
        if !self.taught {
            return row.amplitude > 0.25 && row.amplitude < 1.8;
        }
        let height = row.amplitude / self.amplitude[row.row];
        let width = row.width / self.width[row.row];
        (0.5..1.8).contains(&height) && (0.45..1.9).contains(&width)
    }

    /// Learns from the traces of the set-up pictures.
    pub(crate) fn from(table: &Table, before: &Self, traces: &[Trace]) -> Self {
        let mut learned = before.clone();
        let bands = banded(table);
        for (row, band) in bands.iter().enumerate() {
            let seen: Vec<(&Trace, &Row)> = traces
                .iter()
                .filter_map(|trace| Some((trace, trace.rows.iter().find(|r| r.row == row)?)))
                .collect();
            // A row that fewer than half of the pictures show is under the cover, or beyond the tip.
            if seen.len() * 2 < traces.len() + 1 {
                learned.trust[row] = 0.0;
                continue;
            }
            let middle = |of: fn(&Row) -> f64| {
                let mut values: Vec<f64> = seen.iter().map(|(_, r)| of(r)).collect();
                median(&mut values).unwrap_or(1.0)
            };
            learned.amplitude[row] = middle(|r| r.amplitude);
            learned.width[row] = middle(|r| r.width);
            let along = table.layout.along[row];
            let offs: Vec<f64> = seen
                .iter()
                .map(|(t, r)| r.offset - t.fit.at(along))
                .collect();
            let place = (offs.iter().map(|off| off * off).sum::<f64>() / offs.len() as f64).sqrt();
            let widths: Vec<f64> = seen
                .iter()
                .map(|(_, r)| r.width - learned.width[row])
                .collect();
            let width = (widths.iter().map(|w| w * w).sum::<f64>() / widths.len() as f64).sqrt();
            let trust = 1.0 / (1.0 + (place / 0.25).powi(2) + (width / 0.6).powi(2));
            learned.trust[row] = band * if trust > 0.12 { trust } else { 0.0 };
        }
        learned.distrust_bulges(table);
        learned.taught = true;
        learned
    }

    /// A mirror image that touches the needle in all pictures alike makes it wider: rows in which
    /// it is wider than the straight edges of the rest would have it are not trusted.
    fn distrust_bulges(&mut self, table: &Table) {
        let samples: Vec<Sample> = (0..table.rows())
            .filter(|row| self.trust[*row] > 0.0)
            .map(|row| Sample {
                s: table.layout.along[row],
                d: self.width[row],
                weight: self.trust[row],
            })
            .collect();
        // A lance has a bend in its outline, so only what stands out against its neighbours counts.
        for row in 0..table.rows() {
            if self.trust[row] <= 0.0 {
                continue;
            }
            let here = table.layout.along[row];
            let near: Vec<Sample> = (samples.iter())
                .filter(|x| (x.s - here).abs() < 45.0)
                .copied()
                .collect();
            if let Some(fit) = fit(&near, 3.0, None)
                && self.width[row] - fit.at(here) > (4.0 * fit.rms).max(0.8)
            {
                self.trust[row] *= 0.2;
            }
        }
    }
}

/// Trust of each row by the plate alone: none in bands of constant other brightness, such as a
/// mirror under the needle. They are wide in the row direction, unlike marks and arc lines.
fn banded(table: &Table) -> Vec<f64> {
    let levels: Vec<Option<f64>> = (0..table.rows())
        .map(|row| {
            let tones = table.plate_row(row).iter().step_by(3);
            let mut sound: Vec<f64> = tones
                .filter(|t| !t.is_nan())
                .map(|t| f64::from(*t))
                .collect();
            if sound.len() * 4 < table.layout.columns / 3 {
                return None;
            }
            median(&mut sound)
        })
        .collect();
    let samples: Vec<Sample> = levels
        .iter()
        .zip(&table.layout.along)
        .filter_map(|(level, s)| {
            Some(Sample {
                s: *s,
                d: (*level)?,
                weight: 1.0,
            })
        })
        .collect();
    let Some(face) = fit(&samples, 12.0, None) else {
        return vec![1.0; table.rows()];
    };
    let limit = (5.0 * face.rms).max(7.0);
    let odd: Vec<bool> = levels
        .iter()
        .zip(&table.layout.along)
        .map(|(level, s)| level.is_none_or(|level| (level - face.at(*s)).abs() > limit))
        .collect();
    (0..odd.len())
        .map(|row| {
            let near = row.saturating_sub(2)..(row + 3).min(odd.len());
            if odd[near].iter().any(|odd| *odd) {
                0.0
            } else {
                1.0
            }
        })
        .collect()
}
