//! The needle's trace in one picture: rough place, then its edges row by row, then a line.

use super::learned::Learned;
use super::light::{Light, Pair};
use super::line::{self, Fit, Prior, Sample, median};
use super::picture::{Picture, Tone};
use super::refusal::Refusal;
use super::table::Table;
use super::warp::Warp;
use nalgebra::Vector2;

/// Rows looked at in the first, rough pass.
const COARSE: usize = 24;
/// Places at which the light is looked at, about.
const LIT: usize = 1000;
/// Contrast below which a place says nothing about the needle.
const FAINT: f32 = 8.0;
/// Scatter of brightness above which a picture is refused, in steps.
const ODD_LIGHT: f64 = 25.0;
/// Weakest peak that is a needle.
const WEAKEST: f32 = 0.08;

/// The needle's edges in one row.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row {
    pub(crate) row: usize,
    /// Middle between the edges, in pixels across from the rough place.
    pub(crate) offset: f64,
    /// Height of the occupancy.
    pub(crate) amplitude: f64,
    /// Width at half height, in pixels.
    pub(crate) width: f64,
    /// How far the middles at one and three quarters of the height are apart, in pixels.
    pub(crate) skew: f64,
}

/// The needle's trace.
#[derive(Clone, Debug)]
pub(crate) struct Trace {
    /// Rough place on the needle's way.
    pub(crate) peak: f64,
    /// Line across: pixels from the rough place, by place along the needle.
    pub(crate) fit: Fit,
    pub(crate) rows: Vec<Row>,
    /// Share of the visible rows that have been used.
    pub(crate) share: f64,
    /// Second peak over the first.
    pub(crate) second: f32,
    /// Amplitude and width, relative to those learned.
    pub(crate) amplitude: f64,
    pub(crate) width: f64,
}

/// One picture with all that is needed to look at it through the table.
pub(crate) struct Look<'a> {
    pub(crate) table: &'a Table,
    pub(crate) learned: &'a Learned,
    pub(crate) picture: &'a Picture,
    pub(crate) tone: Tone,
    pub(crate) warp: Warp,
    /// Half the way over which edges are looked for.
    pub(crate) window: f64,
    /// What is known beforehand of the line at the pivot, in pixels.
    pub(crate) prior: Option<f64>,
}

impl Look<'_> {
    /// Follows the needle.
    ///
    /// # Errors
    /// Why there is no needle to follow.
    pub(crate) fn trace(&self) -> Result<Trace, Refusal> {
        let light = self.light()?;
        let (peak, second) = self.rough(&light)?;
        let mut trace = self.fine(&light, peak)?;
        trace.second = second;
        Ok(trace)
    }

    /// Tone of the picture at a cell of the table.
    fn seen(&self, row: usize, column: usize) -> Option<f32> {
        let [x, y] = self.table.point(row, column);
        let at = match self.warp.used {
            0 => Vector2::new(f64::from(x), f64::from(y)),
            _ => self.warp.apply(Vector2::new(f64::from(x), f64::from(y))),
        };
        self.picture.tone_at(at.x as f32, at.y as f32, self.tone)
    }

    /// Place of a cell in the picture, from −1 to 1.
    fn relative(&self, row: usize, column: usize) -> (f64, f64) {
        let [x, y] = self.table.point(row, column);
        let half = |size: usize| size as f64 / 2.0;
        (
            f64::from(x) / half(self.picture.width()) - 1.0,
            f64::from(y) / half(self.picture.height()) - 1.0,
        )
    }

    fn coarse_rows(&self) -> impl Iterator<Item = usize> {
        (0..self.table.rows()).step_by(self.table.rows().div_ceil(COARSE).max(1))
    }

    /// The light, from the rough rows. Most of them is face, whatever the needle does.
    fn light(&self) -> Result<Light, Refusal> {
        let mut pairs = Vec::with_capacity(LIT);
        let apart = (COARSE * self.table.layout.columns / LIT).max(7);
        for row in self.coarse_rows() {
            for column in (0..self.table.layout.columns).step_by(apart) {
                let plate = self.table.plate(row, column);
                if plate.is_nan() {
                    continue;
                }
                let Some(seen) = self.seen(row, column) else {
                    continue;
                };
                let (x, y) = self.relative(row, column);
                let (plate, seen) = (f64::from(plate), f64::from(seen));
                pairs.push(Pair { x, y, plate, seen });
            }
        }
        let light = Light::fit(&pairs).ok_or(Refusal::OffScale)?;
        match light.sigma > ODD_LIGHT || light.gain() <= 0.0 {
            true => Err(Refusal::Light(light.sigma as f32)),
            false => Ok(light),
        }
    }

    /// Occupancy of a cell by the needle and the contrast that it is judged by.
    fn occupancy(&self, light: &Light, row: usize, column: usize) -> Option<(f32, f32)> {
        let plate = self.table.plate(row, column);
        if plate.is_nan() {
            return None;
        }
        let (x, y) = self.relative(row, column);
        let face = light.of(f64::from(plate), x, y) as f32;
        let needle = light.of(f64::from(self.learned.needle), x, y) as f32;
        let contrast = needle - face;
        if contrast < FAINT {
            return None;
        }
        let seen = self.seen(row, column)?;
        Some(((seen - face) / contrast, contrast))
    }

    /// The rough place of the needle, and how strong the second strongest trace is beside it.
    fn rough(&self, light: &Light) -> Result<(f64, f32), Refusal> {
        let columns = self.table.layout.columns.div_ceil(2);
        let (mut sums, mut weights) = (vec![0.0f32; columns], vec![0.0f32; columns]);
        for row in self.coarse_rows() {
            let trust = self.learned.trust[row] as f32;
            if trust <= 0.0 {
                continue;
            }
            for (index, (sum, total)) in sums.iter_mut().zip(&mut weights).enumerate() {
                if let Some((occupied, contrast)) = self.occupancy(light, row, 2 * index) {
                    let weight = contrast * contrast * trust;
                    *sum += weight * occupied.clamp(-0.5, 1.3);
                    *total += weight;
                }
            }
        }
        let heaviest = weights.iter().copied().fold(0.0, f32::max);
        let profile: Vec<f32> = (sums.iter().zip(&weights))
            .map(|(sum, weight)| match *weight > 0.15 * heaviest {
                true => sum / weight,
                false => 0.0,
            })
            .collect();
        let smooth: Vec<f32> = (0..columns)
            .map(|i| {
                let at = |j: usize| profile.get(j).copied().unwrap_or(0.0);
                (at(i.wrapping_sub(1)) + 2.0 * at(i) + at(i + 1)) / 4.0
            })
            .collect();
        let strongest = |skip: Option<usize>| {
            let apart =
                (0.035 * columns as f64).max(self.learned.halo / self.table.layout.step / 2.0);
            smooth
                .iter()
                .enumerate()
                .filter(|(index, _)| skip.is_none_or(|skip| index.abs_diff(skip) as f64 > apart))
                .max_by(|a, b| a.1.total_cmp(b.1))
        };
        let (index, first) = strongest(None).ok_or(Refusal::OffScale)?;
        if *first < WEAKEST {
            return Err(Refusal::NoNeedle(*first));
        }
        let second = strongest(Some(index)).map_or(0.0, |(_, second)| second.max(0.0) / first);
        if index < 2 || index + 2 >= columns {
            return Err(Refusal::OffScale);
        }
        Ok((self.table.layout.place(2.0 * index as f64), second))
    }

    /// Edges in all rows near `peak`, and the line through their middles.
    fn fine(&self, light: &Light, peak: f64) -> Result<Trace, Refusal> {
        let layout = &self.table.layout;
        let low = layout.column(peak - self.window).max(0.0) as usize;
        let high = (layout.column(peak + self.window) as usize).min(layout.columns - 1);
        let centre = layout.column(peak);
        let mut rows = Vec::new();
        let mut visible = 0.0;
        let mut seen = 0.0;
        let mut profile = Vec::with_capacity(high - low + 1);
        for row in 0..self.table.rows() {
            let trust = self.learned.trust[row];
            if trust <= 0.0 {
                continue;
            }
            visible += trust;
            profile.clear();
            profile.extend((low..=high).map(|column| self.occupancy(light, row, column)));
            let pixels = layout.step * layout.across[row];
            let reach = self.learned.reach(row, pixels);
            let Some(edges) = edges(&profile, centre - low as f64, pixels, reach) else {
                continue;
            };
            let found = Row { row, ..edges };
            if self.learned.plausible(&found) {
                seen += trust;
                rows.push(found);
            }
        }
        if visible <= 0.0 {
            return Err(Refusal::Covered(0.0));
        }
        let share = seen / visible;
        if share < 0.2 {
            return Err(Refusal::Covered(share * 100.0));
        }
        let samples: Vec<Sample> = rows
            .iter()
            .map(|row| Sample {
                s: layout.along[row.row],
                d: row.offset,
                weight: self.learned.trust[row.row] / (1.0 + (row.skew / 0.35).powi(2)),
            })
            .collect();
        let prior = self.prior.map(|sigma| Prior {
            at_zero: 0.0,
            sigma,
        });
        let fit = line::fit(&samples, 2.5, prior).ok_or(Refusal::Covered(share * 100.0))?;
        let on = |row: &Row| {
            (row.offset - fit.at(layout.along[row.row])).abs() < (4.0 * fit.rms).max(0.4)
        };
        let used: f64 = rows
            .iter()
            .filter(|row| on(row))
            .map(|row| self.learned.trust[row.row])
            .sum();
        let mut heights: Vec<f64> = rows
            .iter()
            .map(|r| r.amplitude / self.learned.amplitude[r.row])
            .collect();
        let mut widths: Vec<f64> = rows
            .iter()
            .map(|r| r.width / self.learned.width[r.row])
            .collect();
        Ok(Trace {
            peak,
            fit,
            share: used / visible,
            second: 0.0,
            amplitude: median(&mut heights).unwrap_or(0.0),
            width: median(&mut widths).unwrap_or(0.0),
            rows,
        })
    }
}

/// Edges at half the height of the crest nearest to `centre` (all in columns); `pixels` is the
/// width of a column, `reach` how far off the crest may be.
fn edges(profile: &[Option<(f32, f32)>], centre: f64, pixels: f64, reach: f64) -> Option<Row> {
    let value = |index: usize| {
        profile
            .get(index)
            .copied()
            .flatten()
            .map(|(v, _)| f64::from(v))
    };
    let low = (centre - reach).max(1.0) as usize;
    let high = ((centre + reach) as usize).min(profile.len().saturating_sub(2));
    let crest = |index: usize| -> Option<f64> {
        Some((value(index - 1)? + 2.0 * value(index)? + value(index + 1)?) / 4.0)
    };
    let (top, height) = (low..=high)
        .filter_map(|index| Some((index, crest(index)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    if height < 0.15 {
        return None;
    }
    // A flat top is as high as its mean, not as its highest noise.
    let near: Vec<f64> = (top.saturating_sub(40)..(top + 40).min(profile.len()))
        .filter_map(value)
        .filter(|v| *v > 0.75 * height)
        .collect();
    let height = near.iter().sum::<f64>() / near.len() as f64;
    let cross = |level: f64, way: isize| -> Option<f64> {
        let mut index = top;
        loop {
            let next = index.checked_add_signed(way)?;
            let (here, there) = (value(index)?, value(next)?);
            if there < level && here >= level {
                let part = (here - level) / (here - there);
                return Some(index as f64 + part * way as f64);
            }
            index = next;
        }
    };
    let pair = |share: f64| Some((cross(share * height, -1)?, cross(share * height, 1)?));
    let (left, right) = pair(0.5)?;
    let middle = (left + right) / 2.0;
    let skew = match (pair(0.35), pair(0.72)) {
        (Some(low), Some(high)) => ((low.0 + low.1) - (high.0 + high.1)) / 2.0,
        _ => 2.0 / pixels,
    };
    Some(Row {
        row: 0,
        offset: (middle - centre) * pixels,
        amplitude: height,
        width: (right - left) * pixels,
        skew: skew.abs() * pixels,
    })
}
