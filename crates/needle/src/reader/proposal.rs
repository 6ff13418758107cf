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
    /// Steps from one long mark to the next; 1 when all are alike.
    pub(crate) period: i32,
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
    let inside = |number: i32| (first..=last).contains(&number);
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
    let full_scale = (zero + 1..=last).rev().find(|number| is_long(*number))?;
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
    if highest > f64::from(full_scale) + 0.04 * arc {
        doubts.push("the needle has stood beyond the proposed full scale".to_owned());
    }
    if !ticks.iter().any(|tick| tick.number == zero) {
        doubts.push("the proposed zero mark is covered".to_owned());
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
        period,
        long,
        doubts,
    })
}

/// Every how many steps there is a long mark, and the remainder of its number.
fn long_marks(ticks: &[Tick]) -> Option<(i32, i32)> {
    let mut lengths: Vec<f64> = ticks.iter().map(|tick| tick.length).collect();
    lengths.sort_by(f64::total_cmp);
    let spread = |group: &[f64]| -> f64 {
        let mut group = group.to_vec();
        median(&mut group).unwrap_or(0.0)
    };
    // The split that puts the groups farthest apart.
    let split = (2..lengths.len().checked_sub(1)?).max_by(|a, b| {
        let ratio = |i: usize| lengths[i] / lengths[i - 1].max(1e-9);
        ratio(*a).total_cmp(&ratio(*b))
    })?;
    let (short, long) = lengths.split_at(split);
    if spread(long) < 1.2 * spread(short) {
        return None;
    }
    let limit = (lengths[split] + lengths[split - 1]) / 2.0;
    let is_long = |tick: &&Tick| tick.length > limit;
    let mut best: Option<(f64, i32, i32)> = None;
    for period in 2..=20 {
        for phase in 0..period {
            let at = |tick: &Tick| (tick.number - phase).rem_euclid(period) == 0;
            let agree = ticks.iter().filter(|t| at(t) == is_long(t)).count() as f64;
            let hit = ticks.iter().filter(|t| at(t) && is_long(t)).count();
            let share = agree / ticks.len() as f64;
            if hit >= 2 && best.is_none_or(|(most, ..)| share > most + 1e-9) {
                best = Some((share, period, phase));
            }
        }
    }
    best.filter(|(share, ..)| *share >= 0.88)
        .map(|(_, period, phase)| (period, phase))
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
        assert_eq!(proposal.period, 5);
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
