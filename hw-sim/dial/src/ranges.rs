//! How good or poor camera, light and sensor are in each category.

use crate::scene::Category;

/// Ranges from which a category's scenes are drawn.
pub(crate) struct Ranges {
    /// Largest tilt of the camera, degrees.
    pub tilt: f64,
    /// Width of view, degrees.
    pub view: (f64, f64),
    /// Largest lens term.
    pub radial: f64,
    /// Point spread, px.
    pub blur: (f64, f64),
    /// Noise, steps of the 8-bit picture.
    pub noise: (f64, f64),
    /// Quality of the compression.
    pub jpeg: (f64, f64),
    /// Largest change of the light, as a share.
    pub gradient: f64,
    /// Most bright spots, and the light of the strongest.
    pub glare: (usize, f64),
    /// Share of light that the shadow takes away.
    pub shadow: (f64, f64),
    /// How often there is a mirror band.
    pub mirror: f64,
}

impl Ranges {
    pub fn of(category: Category) -> Self {
        match category {
            Category::Good => Ranges {
                tilt: 8.0,
                view: (35.0, 50.0),
                radial: 0.01,
                blur: (0.5, 0.9),
                noise: (0.8, 1.6),
                jpeg: (85.0, 96.0),
                gradient: 0.12,
                glare: (1, 0.25),
                shadow: (0.05, 0.25),
                mirror: 0.1,
            },
            Category::Typical => Ranges {
                tilt: 20.0,
                view: (35.0, 70.0),
                radial: 0.03,
                blur: (0.6, 1.4),
                noise: (1.0, 4.0),
                jpeg: (70.0, 94.0),
                gradient: 0.3,
                glare: (2, 0.8),
                shadow: (0.1, 0.35),
                mirror: 0.2,
            },
            Category::Hard => Ranges {
                tilt: 20.0,
                view: (35.0, 70.0),
                radial: 0.04,
                blur: (0.8, 2.2),
                noise: (2.0, 8.0),
                jpeg: (40.0, 85.0),
                gradient: 0.5,
                glare: (3, 1.5),
                shadow: (0.15, 0.45),
                mirror: 0.3,
            },
        }
    }
}
