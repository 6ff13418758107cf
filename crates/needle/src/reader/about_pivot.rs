//! Proposing the set-up of a dial whose needle turns about a pivot.

use super::picture::Tone;
use super::plate::Plate;
use super::proposal::{self, Proposal, Tick};
use super::refusal::SetupError;
use super::scale::{self, About, Scale};
use super::setup::{DialSetup, FoundMark, Geometry, MISFIT, Radial};
use super::stroke::{Pivot, Stroke};
use super::view::{angle_of, polar, wrap};

/// The set-up of a dial with a pivot.
///
/// # Errors
/// When the needle moved too little, or no scale is found.
pub(crate) fn propose(
    plate: &Plate,
    strokes: &[Stroke],
    pivot: Pivot,
) -> Result<DialSetup, SetupError> {
    let angles: Vec<f64> = strokes
        .iter()
        .map(|stroke| angle_of(stroke.along))
        .collect();
    let mut travelled = vec![0.0];
    for pair in angles.windows(2) {
        let before = travelled.last().copied().unwrap_or(0.0);
        travelled.push(before + wrap(pair[1] - pair[0], 0.0));
    }
    let total = travelled.last().copied().unwrap_or(0.0);
    if total.abs() < 0.05 {
        return Err(SetupError::TooLittleMotion(total.to_degrees()));
    }
    let reaches = strokes
        .iter()
        .map(|stroke| (stroke.tip() - pivot.at).norm());
    let mut reaches: Vec<f64> = reaches.collect();
    let reach = super::line::median(&mut reaches).unwrap_or(0.0);
    let size = (plate.plane.width, plate.plane.height);
    let about = About {
        size,
        pivot,
        rest: angles[0],
        way: total.signum(),
        reach,
    };
    let print = plate.picture.plane(Tone::PRINT);
    let scale = scale::find(&print, about)?;
    let (numbers, ticks) = numbers(&scale, strokes, &travelled);
    let rest = numbers[0];
    let highest = numbers.iter().copied().fold(f64::MIN, f64::max);
    let proposal = proposal::propose(&ticks, rest, highest)
        .ok_or_else(|| SetupError::NoScale("no mark above the one at rest".to_owned()))?;
    let doubts = doubts(&scale, &proposal, plate);
    let lens = scale.plane.view.lens();
    let marks = scale.marks.iter().map(|mark| FoundMark {
        number: mark.number,
        at: lens
            .project(polar(f64::from(mark.number) * scale.plane.step, 1.0))
            .into(),
        long: proposal.long.contains(&mark.number),
    });
    let covariance = pivot.covariance;
    Ok(DialSetup {
        size: size.into(),
        zero: f64::from(proposal.zero),
        full_scale: f64::from(proposal.full_scale),
        rest,
        full_scale_text: None,
        confirmed: false,
        doubts,
        mark_rms: scale.plane.rms,
        marks: marks.collect(),
        geometry: Geometry::Radial(Radial {
            view: scale.plane.view,
            step: scale.plane.step,
            covariance: scale.plane.covariance.iter().copied().collect(),
            misfit: scale.plane.misfit(),
            pivot: pivot.at.into(),
            pivot_covariance: [covariance[(0, 0)], covariance[(0, 1)], covariance[(1, 1)]],
            reach,
        }),
    })
}

/// Numbers at which the needle stood, counted up-scale from the first, and the marks.
fn numbers(scale: &Scale, strokes: &[Stroke], travelled: &[f64]) -> (Vec<f64>, Vec<Tick>) {
    let turn = std::f64::consts::TAU / scale.plane.step.abs();
    let mut numbers: Vec<f64> = Vec::new();
    for (stroke, angle) in strokes.iter().zip(travelled) {
        let number = scale.number_of(stroke.foot + stroke.along * stroke.span.0, stroke.tip());
        // The needle at rest is near the lower end; the others follow from how far it turned.
        let near = match numbers.first() {
            None => scale
                .marks
                .first()
                .map_or(0.0, |mark| f64::from(mark.number)),
            Some(rest) => rest + angle / scale.plane.step,
        };
        let turns = ((near - number) / turn).round();
        numbers.push(number + turns * turn);
    }
    let ticks = scale.marks.iter().map(|mark| Tick {
        number: mark.number,
        length: mark.length,
    });
    (numbers, ticks.collect())
}

/// Doubts about the proposal and about the scale behind it.
fn doubts(scale: &Scale, proposal: &Proposal, plate: &Plate) -> Vec<String> {
    let mut doubts = proposal.doubts.clone();
    let arc = (f64::from(proposal.full_scale - proposal.zero) * scale.plane.step).abs();
    if !(0.9..5.2).contains(&arc) {
        doubts.push(format!("an arc of {:.0}°", arc.to_degrees()));
    }
    if scale.trimmed {
        doubts.push("single marks beyond a gap were left out".to_owned());
    }
    if scale.plane.rms > 0.25 || scale.marks.len() < 8 {
        doubts.push(format!(
            "{} marks that scatter by {:.2} pixels",
            scale.marks.len(),
            scale.plane.rms
        ));
    }
    if scale.plane.misfit() > MISFIT {
        doubts.push("marks that fit no evenly divided scale about this pivot".to_owned());
    }
    let lens = scale.plane.view.lens();
    let beyond = [
        (proposal.zero, -1, "below zero"),
        (proposal.full_scale, 1, "beyond full scale"),
    ];
    for (number, way, what) in beyond {
        let seen = (1..=2).all(|off| {
            let angle = f64::from(number + way * off) * scale.plane.step;
            let at = lens.project(polar(angle, 1.0));
            plate.sound_at(at.x as f32, at.y as f32)
        });
        if !seen {
            doubts.push(format!("the place of a next mark {what} is not in sight"));
        }
    }
    doubts
}
