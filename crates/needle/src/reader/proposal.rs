//! Which marks are zero and full scale, and what is doubtful about it.

use super::line::median;

/// A mark for this purpose.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tick {
    pub(crate) number: i32,
    pub(crate) length: f64,
}

/// What is proposed.
#[derive(Clone, Debug)]
pub(crate) struct Proposal {
    pub(crate) zero: i32,
    pub(crate) full_scale: i32,
    /// Numbers of the long marks.
    pub(crate) long: Vec<i32>,
    /// What a person should look at; empty when nothing is in doubt.
    pub(crate) doubts: Vec<String>,
}

/// Proposes zero and full scale. `rest` is the number at which the needle rests, `highest` the
/// highest at which it has been seen.
pub(crate) fn propose(ticks: &[Tick], rest: f64, highest: f64) -> Option<Proposal> {
    let (first, last) = (ticks.first()?.number, ticks.last()?.number);
    let mut doubts = Vec::new();
    let (period, phase) = long_marks(ticks).unwrap_or_else(|| {
        doubts.push("long and short marks could not be told apart".to_owned());
        (1, 0)
    });
    let is_long = |number: i32| (number - phase).rem_euclid(period) == 0;
    // The outermost marks are found least surely: the line of the arc ends at them. One that is
    // covered may still be where the needle rests.
    let inside = |number: i32| {
        (first - 1..=last + 1).contains(&number) || (f64::from(number) - rest).abs() < 0.5
    };
    let near = rest.round() as i32;
    let zero = (0..=period)
        .flat_map(|off| [near + off, near - off])
        .filter(|number| is_long(*number) && inside(*number))
        .min_by(|a, b| {
            (f64::from(*a) - rest)
                .abs()
                .total_cmp(&(f64::from(*b) - rest).abs())
        })
        .unwrap_or(first);
    let beyond = if period > 1 { last + 1 } else { last };
    let mut full_scale = (zero + 1..=beyond).rev().find(|number| is_long(*number))?;
    // The needle has been farther: the end of the scale was not found.
    while highest > f64::from(full_scale) + 0.04 * f64::from(full_scale - zero) {
        full_scale += period;
    }
    let arc = f64::from(full_scale - zero);
    if (f64::from(zero) - rest).abs() > 0.02 * arc {
        doubts.push(format!(
            "the needle rests {:.1} % of scale from the proposed zero mark",
            (rest - f64::from(zero)) / arc * 100.0
        ));
    }
    if first < zero {
        doubts.push("there are marks below the proposed zero".to_owned());
    }
    if last > full_scale {
        doubts.push("there are marks beyond the proposed full scale".to_owned());
    }
    if !ticks.iter().any(|tick| tick.number == zero) {
        doubts.push("the proposed zero mark is covered".to_owned());
    }
    if last < full_scale {
        doubts.push("the proposed full-scale mark itself was not found".to_owned());
    }
    let within = ticks
        .iter()
        .filter(|t| (zero..=full_scale).contains(&t.number))
        .count();
    if (within as f64) < 0.88 * (arc + 1.0) {
        doubts.push(format!(
            "only {within} of {} marks were found",
            arc as i32 + 1
        ));
    }
    if period > 1 && !(2..=15).contains(&((full_scale - zero) / period)) {
        doubts.push("an unusual number of long marks".to_owned());
    }
    let long = ticks
        .iter()
        .map(|t| t.number)
        .filter(|n| period > 1 && is_long(*n))
        .collect();
    Some(Proposal {
        zero,
        full_scale,
        long,
        doubts,
    })
}

/// Every how many steps there is a long mark, and the remainder of its number: the division that
/// parts the lengths best. Single marks that were measured wrongly (a letter or the line of an arc
/// touches them) are outvoted.
pub(crate) fn long_marks(ticks: &[Tick]) -> Option<(i32, i32)> {
    let mut best: Option<(f64, i32, i32)> = None;
    for period in 2..=20 {
        for phase in 0..period {
            let share = parted(ticks, |tick| (tick.number - phase).rem_euclid(period) == 0);
            if let Some(share) = share
                && best.is_none_or(|(most, ..)| share > most + 1e-9)
            {
                best = Some((share, period, phase));
            }
        }
    }
    best.filter(|(share, ..)| *share >= 0.88)
        .map(|(_, period, phase)| (period, phase))
}

/// Share of the marks whose length is on the right side of the middle between the two groups; none
/// when there is no difference to speak of.
fn parted(ticks: &[Tick], is_long: impl Fn(&Tick) -> bool) -> Option<f64> {
    let (mut long, mut short): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    for tick in ticks {
        match is_long(tick) {
            true => long.push(tick.length),
            false => short.push(tick.length),
        }
    }
    if long.len() < 2 || short.len() < 2 {
        return None;
    }
    let (top, bottom) = (median(&mut long)?, median(&mut short)?);
    if top < 1.2 * bottom {
        return None;
    }
    let middle = (top + bottom) / 2.0;
    let right = |group: &[f64], above: bool| {
        group
            .iter()
            .filter(|length| (**length > middle) == above)
            .count()
    };
    Some((right(&long, true) + right(&short, false)) as f64 / ticks.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A scale from `first` to `last` with a long mark every `period` steps of `first`.
    fn scale(first: i32, last: i32, period: i32) -> Vec<Tick> {
        (first..=last)
            .map(|number| Tick {
                number,
                length: match (number - first) % period {
                    0 => 0.12,
                    _ => 0.07,
                },
            })
            .collect()
    }

    #[test]
    fn a_plain_scale_is_proposed_without_doubt() {
        let proposal = propose(&scale(-25, 25, 5), -24.9, 15.0).unwrap();
        assert_eq!((proposal.zero, proposal.full_scale), (-25, 25));
        assert_eq!(proposal.long.len(), 11);
        assert_eq!(proposal.doubts, Vec::<String>::new());
    }

    #[test]
    fn a_centre_zero_is_found_but_doubtful() {
        let proposal = propose(&scale(-20, 20, 5), 0.1, 15.0).unwrap();
        assert_eq!((proposal.zero, proposal.full_scale), (0, 20));
        assert!(
            proposal.doubts[0].contains("below"),
            "{:?}",
            proposal.doubts
        );
    }

    #[test]
    fn a_scale_whose_end_is_covered_is_doubtful() {
        let mut ticks = scale(-25, 25, 5);
        ticks.truncate(48);
        let proposal = propose(&ticks, -25.0, 15.0).unwrap();
        assert!(
            proposal.doubts[0].contains("beyond"),
            "{:?}",
            proposal.doubts
        );
    }

    #[test]
    fn a_zero_that_is_covered_is_where_the_needle_rests_and_doubtful() {
        let mut ticks = scale(-25, 25, 5);
        ticks.drain(..17);
        let proposal = propose(&ticks, -24.7, 15.0).unwrap();
        assert_eq!((proposal.zero, proposal.full_scale), (-25, 25));
        let doubted = |part: &str| proposal.doubts.iter().any(|doubt| doubt.contains(part));
        assert!(doubted("zero mark is covered"), "{:?}", proposal.doubts);
        // Where no long mark can be, the first one found is proposed.
        let proposal = propose(&ticks, -23.0, 15.0).unwrap();
        assert_eq!(proposal.zero, -8);
        assert!(!proposal.doubts.is_empty());
    }

    #[test]
    fn marks_all_alike_are_doubtful() {
        let ticks: Vec<Tick> = (0..=30)
            .map(|number| Tick {
                number,
                length: 0.1,
            })
            .collect();
        let proposal = propose(&ticks, 0.0, 10.0).unwrap();
        assert!(!proposal.doubts.is_empty());
    }
}
