//! Reading pictures with a set-up dial.

use super::learned::Learned;
use super::patch::Landmarks;
use super::picture::{Picture, Tone};
use super::plate::Plate;
use super::radial::{self, Dial};
use super::refusal::{Refusal, SetupError};
use super::setup::{DialSetup, Geometry, MISFIT};
use super::straight::Rail;
use super::table::Table;
use super::teach::{Scale, sliding, turning};
use super::trace::{Look, Trace};
use super::warp::Warp;
use nalgebra::Vector2;

/// Confidence above which a sighting may be used while nobody watches.
pub const TRUSTED: f64 = 0.5;
/// Most confidence where nobody should rely on it unattended.
const DOUBTFUL: f64 = 0.45;

/// An error that must not be stated with confidence, as a fraction of full scale.
const GROSS: f64 = 0.005;
/// Least share of the needle in sight for unattended use: what hides the rest bends the edge of what is
/// left.
const SEEN: f64 = 0.6;

/// Least share of a turning needle's length, from the pivot on, along which it must be followed. A tail
/// is shorter (common practice: it carries the balance weights).
const FOLLOWED: f64 = 0.5;

/// Fewest landmarks for unattended use.
const LANDMARKS: usize = 6;

/// What was seen in one picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Deflection as a fraction of full scale: 0 at the zero mark, 1 at the full-scale mark.
    pub deflection: f64,
    /// Standard uncertainty that averages out over pictures, as a fraction of full scale.
    pub u: f64,
    /// Standard uncertainty that all pictures of this set-up share.
    pub u_shared: f64,
    /// 0 to 1; from [`TRUSTED`] on fit for use while nobody watches.
    pub confidence: f64,
    /// How much wider the needle looks than at set-up: above 1 when it moves or is out of focus.
    pub width: f64,
    /// How far the picture has moved since the set-up, in pixels, at the corner that moved most.
    pub moved: f64,
}

impl Seen {
    /// Standard uncertainty of this one reading.
    pub fn u_total(&self) -> f64 {
        self.u.hypot(self.u_shared)
    }
}

/// A dial set up, learned and ready.
pub struct Reader {
    size: [usize; 2],
    channels: usize,
    tone: Tone,
    scale: Scale,
    table: Table,
    learned: Learned,
    landmarks: Landmarks,
    /// Uncertainty of the geometry at places along the scale.
    geometry: Vec<(f64, f64)>,
    /// Uncertainty of the pivot, in pixels.
    hub: f64,
    /// Typical scatter of the needle's edges in the set-up pictures, in pixels.
    edge_rms: f64,
    /// Why its sightings are not to be used unattended; empty when they may.
    reservations: Vec<String>,
}

impl Reader {
    /// A reader for a dial that is set up, from the pictures of the set-up.
    ///
    /// # Errors
    /// When the pictures don't belong to the set-up, or show no needle.
    pub fn new(setup: &DialSetup, pictures: &[Picture]) -> Result<Self, SetupError> {
        let plate = Plate::new(pictures)?;
        if [plate.plane.width, plate.plane.height] != setup.size {
            return Err(SetupError::Differs(0));
        }
        let taught = match &setup.geometry {
            Geometry::Radial(radial) => turning(setup, Dial::new(setup, radial), &plate, pictures)?,
            Geometry::Straight(straight) => sliding(Rail::new(setup, straight), &plate, pictures)?,
        };
        let (scale, table, learned, traces) = taught;
        let geometry = match (&scale, &setup.geometry) {
            (Scale::Radial(dial), Geometry::Radial(radial)) => dial.geometry(radial),
            (Scale::Straight(rail), _) => rail.geometry(),
            _ => Vec::new(),
        };
        let hub = match &scale {
            Scale::Radial(dial) => dial.hub.sigma(),
            Scale::Straight(_) => 0.0,
        };
        let mut edges: Vec<f64> = traces.iter().map(|trace| trace.fit.rms).collect();
        let edge_rms = super::line::median(&mut edges).unwrap_or(1.0);
        let landmarks = Landmarks::new(&plate, swept(&table));
        let mut reservations = reservations(setup, hub, traces.len(), edge_rms, &geometry);
        let followed = learned.followed(&table);
        if matches!(scale, Scale::Radial(_)) && followed < FOLLOWED {
            reservations.push(format!(
                "the needle could be followed along {:.0} % of its length only, where its tail may look \
                 the same",
                followed * 100.0
            ));
        }
        if landmarks.count() < LANDMARKS {
            reservations.push(format!(
                "only {} landmarks by which to see that the camera has not moved",
                landmarks.count()
            ));
        }
        Ok(Self {
            size: setup.size,
            channels: plate.picture.channels(),
            tone: plate.tone,
            scale,
            table,
            learned,
            landmarks,
            geometry,
            hub,
            edge_rms,
            reservations,
        })
    }

    /// Why its sightings are not to be used while nobody watches; empty when they may.
    pub fn reservations(&self) -> &[String] {
        &self.reservations
    }

    /// Reads one picture.
    ///
    /// # Errors
    /// Why it can't be read. That means "unknown", never "zero".
    pub fn read(&self, picture: &Picture) -> Result<Seen, Refusal> {
        let fits =
            [picture.width(), picture.height()] == self.size && picture.channels() == self.channels;
        if !fits {
            return Err(Refusal::OtherPicture);
        }
        let warp = self.landmarks.locate(picture)?;
        let look = Look {
            table: &self.table,
            learned: &self.learned,
            picture,
            tone: self.tone,
            warp,
            window: self.window(),
            prior: self.prior(&warp),
        };
        let trace = look.trace()?;
        judge(&trace)?;
        Ok(self.seen(&trace, &warp))
    }

    fn window(&self) -> f64 {
        match &self.scale {
            Scale::Radial(_) => radial::WINDOW,
            Scale::Straight(rail) => rail.window(),
        }
    }

    /// How well the line's place at the pivot is known beforehand, in pixels.
    fn prior(&self, warp: &Warp) -> Option<f64> {
        match &self.scale {
            Scale::Radial(dial) => Some(self.hub.max(0.05).hypot(dial.aside(warp))),
            Scale::Straight(_) => None,
        }
    }

    fn seen(&self, trace: &Trace, warp: &Warp) -> Seen {
        // Rows are not independent: compression and the needle's own edge join them, and blur the more.
        let rows = 2.0 * trace.width.max(1.0).powi(2);
        let (deflection, line, drift, fixed) = match &self.scale {
            Scale::Radial(dial) => {
                let arc = dial.arc().abs();
                let slope = (rows * trace.fit.covariance[2]).sqrt();
                (
                    dial.deflection(dial.angle(trace)),
                    slope / arc,
                    dial.turned(trace, warp) / arc,
                    0.3 * self.hub / dial.scale / arc,
                )
            }
            Scale::Straight(rail) => {
                let (deflection, per_pixel) = rail.deflection(trace);
                let line = (rows.sqrt() * trace.fit.sigma_at(rail.level())) * per_pixel;
                let drift = rail.shifted(trace, warp) * per_pixel;
                // The same in all pictures until the camera moves again.
                let parallax = rail.parallax(trace, warp) * per_pixel;
                (deflection, line, drift, parallax)
            }
        };
        let geometry = at(&self.geometry, deflection);
        let u = line.hypot(drift).max(2e-5);
        let u_shared = (geometry * geometry + fixed * fixed + self.floor().powi(2)).sqrt();
        let moved = warp.farthest(self.size[0] as f64, self.size[1] as f64);
        Seen {
            deflection,
            u,
            u_shared,
            confidence: self.confidence(trace, u.hypot(u_shared)),
            width: trace.width,
            moved,
        }
    }

    /// What no other term covers.
    fn floor(&self) -> f64 {
        match &self.scale {
            Scale::Radial(_) => 3e-5,
            Scale::Straight(rail) => rail.floor(),
        }
    }

    fn confidence(&self, trace: &Trace, u: f64) -> f64 {
        let ripple = 1.2 / trace.fit.rms.max(1e-3);
        let worse = 3.5 * self.edge_rms.max(0.05) / trace.fit.rms.max(1e-3);
        let mut confidence = [
            trace.share / 0.8,
            f64::from(1.3 - trace.second),
            trace.amplitude / 0.9,
            ripple,
            worse,
        ]
        .into_iter()
        .map(|part| part.clamp(0.0, 1.0))
        .product::<f64>();
        if trace.width > 1.3 {
            confidence *= 0.7;
        }
        let known = 3.0 * u <= GROSS && trace.share >= SEEN;
        if !self.reservations.is_empty() || !known {
            confidence = confidence.min(DOUBTFUL);
        }
        confidence
    }
}

/// Value at a place of a table with even steps.
fn at(table: &[(f64, f64)], place: f64) -> f64 {
    let nearest = table
        .iter()
        .min_by(|a, b| (a.0 - place).abs().total_cmp(&(b.0 - place).abs()));
    // Without a table nothing is known, and that is no small uncertainty.
    nearest.map_or(0.01, |(_, value)| *value)
}

/// Whether the trace is good enough to be read at all.
fn judge(trace: &Trace) -> Result<(), Refusal> {
    if trace.share < 0.35 {
        return Err(Refusal::Covered(trace.share * 100.0));
    }
    if trace.second > 0.75 {
        return Err(Refusal::Two(trace.second));
    }
    if trace.amplitude < 0.6 {
        return Err(Refusal::Pale(trace.amplitude));
    }
    if trace.fit.rms > 1.5 {
        return Err(Refusal::Crooked(trace.fit.rms));
    }
    Ok(())
}

/// Why sightings are not for unattended use.
fn reservations(
    setup: &DialSetup,
    hub: f64,
    pictures: usize,
    edge_rms: f64,
    geometry: &[(f64, f64)],
) -> Vec<String> {
    let mut found = Vec::new();
    if !setup.confirmed {
        found.push("zero and full scale have not been confirmed".to_owned());
    }
    if matches!(&setup.geometry, Geometry::Straight(straight) if straight.eye.is_none()) {
        found.push("the straight scale has had no eye check".to_owned());
    }
    if setup.marks.len() < 5 {
        found.push(format!("only {} marks fitted", setup.marks.len()));
    }
    if setup.mark_rms > most_scatter(setup) {
        found.push(format!("marks scatter by {:.2} pixels", setup.mark_rms));
    }
    if matches!(&setup.geometry, Geometry::Radial(radial) if radial.misfit > MISFIT) {
        found.push("the marks fit no evenly divided scale about this pivot".to_owned());
    }
    if hub > 1.5 {
        found.push(format!("the pivot is known to {hub:.1} pixels only"));
    }
    if pictures < 2 {
        found.push("the needle could be followed in one set-up picture only".to_owned());
    }
    if edge_rms > 0.6 {
        found.push(format!(
            "the needle's edges are ragged ({edge_rms:.1} pixels)"
        ));
    }
    let on_scale = geometry.iter().filter(|(at, _)| (0.0..=1.0).contains(at));
    match on_scale.map(|(_, u)| *u).reduce(f64::max) {
        None => found.push("the uncertainty of the dial's geometry is not known".to_owned()),
        Some(u) if 3.0 * u > GROSS => found.push(format!(
            "the marks leave {:.2} % of the scale uncertain; show more of them, or look straighter at \
             the dial",
            u * 100.0
        )),
        Some(_) => {}
    }
    found
}

/// The most by which the marks of a dial may scatter, in pixels: its plane hangs on small parts of one.
const SCATTER: f64 = 0.25;
/// How uncertain the marks of a straight scale may leave its place, as a share of its length.
const PLACE: f64 = 0.0003;

/// The most by which marks may scatter, in pixels. Along a straight scale their mean counts.
fn most_scatter(setup: &DialSetup) -> f64 {
    match &setup.geometry {
        Geometry::Radial(_) => SCATTER,
        Geometry::Straight(_) => {
            let (zero, full) = (setup.place(setup.zero), setup.place(setup.full_scale));
            let length = (full[0] - zero[0]).hypot(full[1] - zero[1]);
            PLACE * length * (setup.marks.len() as f64).sqrt()
        }
    }
}

/// Whether a place is where the needle sweeps: near a cell of the table.
fn swept(table: &Table) -> impl Fn(Vector2<f64>) -> bool {
    const CELL: f64 = 16.0;
    let key = |x: f64, y: f64| ((x / CELL).floor() as i32, (y / CELL).floor() as i32);
    let mut cells = std::collections::BTreeSet::new();
    for row in (0..table.rows()).step_by(3) {
        for column in (0..table.layout.columns).step_by(5) {
            let [x, y] = table.point(row, column);
            cells.insert(key(f64::from(x), f64::from(y)));
        }
    }
    move |at| cells.contains(&key(at.x, at.y))
}
