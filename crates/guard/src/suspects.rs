//! Contacts that were told to open and may not have: what they can do to a loop, and what acquits
//! them. A read-back can't, it says what a contact was told.

use crate::rig::{Element, PotBank, Rig};
use crate::state::{Arrangement, energised, loop_low};
use quantity::{Amps, Ohms, Volts};
use std::collections::BTreeSet;

/// By what contacts that should be open may falsify a loop: factors, 1 where they can't.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Falsified {
    /// The current can be larger than the elements have it.
    pub current: f64,
    /// The current can be larger than the loop meter has it: the sense element is not alone.
    pub ruler: f64,
}

impl Falsified {
    /// Every contact is what it was told to be.
    pub const NOT: Self = Self {
        current: 1.0,
        ruler: 1.0,
    };
}

/// What all `suspects` together can do in arrangement `next`, should they still be closed: paths
/// beside the new one, series elements or the whole bank shorted, sense elements beside the new one.
pub(crate) fn falsified(rig: &Rig, suspects: &BTreeSet<u32>, next: &Arrangement) -> Falsified {
    let range = &next.range;
    let closed = |e: &&Element| suspects.contains(&e.channel);
    let bypassed = rig.switch.bypass.is_some_and(|c| suspects.contains(&c));
    let used = rig
        .series
        .iter()
        .zip(&range.series)
        .filter(|(_, used)| **used);
    let shorted = used.map(|(e, _)| e).filter(|e| bypassed || closed(e));
    let path = &rig.paths[range.path].fixed;
    let others = |own: &Element, e: &&Element| e.channel != own.channel && closed(e);
    let fixed = rig.paths.iter().map(|p| &p.fixed);
    let beside_path = fixed.filter(|e| others(path, e));
    let sense = &rig.sense[range.sense];
    let beside_sense = || rig.sense.iter().filter(|e| others(sense, e));
    let low = loop_low(rig, next);
    let pots = rig.pots_sum(range, PotBank::low);
    let missing = shorted.map(Element::low).sum::<Ohms>()
        + if bypassed { pots } else { Ohms::ZERO }
        + (path.low() - beside(path.low(), beside_path))
        + (sense.low() - beside(sense.low(), beside_sense()));
    Falsified {
        current: low / (low - missing),
        ruler: sense.high() / beside(sense.high(), beside_sense()),
    }
}

/// Resistance of `own` with the others beside it, each at its least.
fn beside<'a>(own: Ohms, others: impl Iterator<Item = &'a Element>) -> Ohms {
    others.fold(own, |sum, e| sum * (e.low() / (sum + e.low())))
}

/// A loop tried with no sense element closed, as far as is known.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OpenLoop {
    /// What drove it at least, and at most.
    pub driving: (Volts, Volts),
    /// What the loop meter showed, and twice its offset.
    pub shown: Volts,
    pub doubt: Volts,
    /// What the suspects of that moment could do.
    pub falsified: Falsified,
}

impl OpenLoop {
    /// Whether the contact on `channel` can have been closed; `loop_high` is the resistance of the
    /// whole loop at most. With a sense element closed, the meter shows its share of the voltage.
    /// With none, a meter led to each element shows nothing, and one across the bank shows all.
    pub fn may_hide(
        &self,
        rig: &Rig,
        channel: u32,
        arrangement: &Arrangement,
        loop_high: Ohms,
    ) -> bool {
        let Some(element) = rig.sense.iter().find(|e| e.channel == channel) else {
            return true;
        };
        let own = rig.sense[arrangement.range.sense].high();
        let rest_low = (loop_low(rig, arrangement) / self.falsified.current - own).max(Ohms::ZERO);
        let high = element.high() + element.contact;
        // A needle still on its way may take half of so small a voltage.
        let least = self.driving.0 * 0.5 * (element.low() / (loop_high + high));
        let most = self.driving.1 * (high / (rest_low + high));
        self.shown + self.doubt >= least && self.shown - self.doubt <= most
    }
}

/// What flows in a loop at rest, as its instruments have it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Flow {
    /// The least and the most that the loop meter may show, by its accuracy.
    pub shown: (Amps, Amps),
    /// What must drive it at least, and at most: the supply's part that the movement does not take.
    pub driving: (Volts, Volts),
}

/// The suspects that may still be closed while this flows.
pub(crate) fn still_suspect(
    rig: &Rig,
    suspects: &BTreeSet<u32>,
    arrangement: &Arrangement,
    flow: Flow,
) -> BTreeSet<u32> {
    let mut left = suspects - &energised(rig, Some(arrangement));
    loop {
        let kept = |channel: &u32| hidden(rig, *channel, &left, arrangement, flow);
        let next: BTreeSet<u32> = left.iter().copied().filter(kept).collect();
        if next == left {
            return left;
        }
        // With fewer left, the rest have fewer places to hide.
        left = next;
    }
}

/// Whether `channel`, one of the `suspects`, can be closed with no more than this to see of it.
fn hidden(
    rig: &Rig,
    channel: u32,
    suspects: &BTreeSet<u32>,
    arrangement: &Arrangement,
    flow: Flow,
) -> bool {
    let all = falsified(rig, suspects, arrangement);
    let alone = falsified(rig, &BTreeSet::from([channel]), arrangement);
    let (low, high) = (
        loop_low(rig, arrangement),
        rig.range_high(&arrangement.range),
    );
    // With it closed more must flow, though the meter may show less of it than there is.
    let with_it = high - (low - low / alone.current);
    let enough = flow.driving.0 / with_it <= flow.shown.1 * all.ruler;
    let Some(other) = rig.sense.iter().find(|e| e.channel == channel) else {
        return enough;
    };
    // Beside the sense element it takes its share of the current; where the meter is led to it, its
    // reading holds the contact of the other one, too.
    let own = &rig.sense[arrangement.range.sense];
    let (one, two) = (own.high() + own.contact, other.high() + other.contact);
    let most = flow.driving.1 / low * all.current;
    enough && flow.shown.0 <= most * (one * (two / (one + two)) / own.ohms)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::state::tests::{arrangement, rig};

    /// A contact that stays closed: worked out by Ohm's law for each place it may have.
    #[test]
    fn one_contact_that_stays_closed() {
        let rig = rig();
        let light = arrangement(&rig, 50e-6, vec![]);
        let heavy = arrangement(&rig, 1e-3, vec![]);
        assert_eq!((light.range.path, heavy.range.path), (0, 1));
        let light_path = rig.paths[0].fixed.channel;
        // 40 kΩ beside 4 kΩ, both at the low end of 1 %.
        let low = loop_low(&rig, &heavy).get();
        let beside = 39_600.0 * 3_960.0 / (39_600.0 + 3_960.0);
        let from = BTreeSet::from([light_path]);
        let found = falsified(&rig, &from, &heavy);
        assert!((found.current - low / (low - 3_960.0 + beside)).abs() < 1e-9);
        assert_eq!(found.ruler, 1.0);
        // From nothing to anything no contact opens but the short.
        assert_eq!(falsified(&rig, &BTreeSet::new(), &heavy), Falsified::NOT);
        // A series element that stays shorted is missing from the loop, and so is the bank when its
        // bypass stays closed.
        let used: Vec<usize> = (0..rig.series.len())
            .filter(|&i| light.range.series[i])
            .collect();
        let (low, first) = (loop_low(&rig, &light), &rig.series[used[0]]);
        let stuck = |suspects| falsified(&rig, &BTreeSet::from(suspects), &light).current;
        let shorted = stuck([first.channel]);
        assert!((shorted - low / (low - first.low())).abs() < 1e-9);
        let bank: Ohms = used.iter().map(|&i| rig.series[i].low()).sum();
        let bypassed = stuck([106]);
        assert!((bypassed - low / (low - bank)).abs() < 1e-9);
        assert!(bypassed > shorted && shorted > 1.1);
        // Two at once, and two that lie in each other's place.
        let second = &rig.series[used[1]];
        let both = falsified(
            &rig,
            &BTreeSet::from([first.channel, second.channel]),
            &light,
        );
        let left = low - first.low() - second.low();
        assert!((both.current - low / left).abs() < 1e-9);
        let twice = falsified(&rig, &BTreeSet::from([106, first.channel]), &light);
        assert_eq!(twice.current, bypassed);
    }

    /// 1 kΩ beside the sense element of 100 Ω, each at its least, takes its ninth or so from the loop; the
    /// bypass takes the whole of a bank of potentiometers.
    #[test]
    fn what_a_sense_element_and_a_bypass_take_from_the_loop() {
        let relays = rig();
        let heavy = arrangement(&relays, 1e-3, vec![]);
        let beside = relays.sense[heavy.range.sense - 1].channel;
        let low = loop_low(&relays, &heavy).get();
        let (own, other) = (100.0 * 0.9998, 1000.0 * 0.9998);
        let found = falsified(&relays, &BTreeSet::from([beside]), &heavy);
        let left = low - own + own * other / (own + other);
        assert!((found.current - low / left).abs() < 1e-9, "{found:?}");
        let text = include_str!("../../../rigs/simulated-digipots.toml");
        let pots = Rig::parse(text, "simulated-digipots.toml").unwrap();
        let light = arrangement(&pots, 20e-6, vec![]);
        let (low, bank) = (
            loop_low(&pots, &light),
            pots.pots_sum(&light.range, PotBank::low),
        );
        assert!(bank > low * 0.5, "{bank} of {low}");
        let bypass = BTreeSet::from([pots.switch.bypass.unwrap()]);
        let found = falsified(&pots, &bypass, &light);
        assert!(
            (found.current - low / (low - bank)).abs() < 1e-9,
            "{found:?}"
        );
    }

    /// 40 kΩ beside 4 kΩ take a tenth off the loop of the second path: a current that leaves no room
    /// for a twentieth acquits that contact, one that leaves room for a fifth does not. What was shorted
    /// in the lighter path's sense bank hardly counts here, so it stays suspect.
    #[test]
    fn a_current_acquits_the_contacts_that_would_raise_it() {
        let rig = rig();
        let heavy = arrangement(&rig, 1e-3, vec![]);
        let light = arrangement(&rig, 50e-6, vec![]);
        let sense = rig.sense[light.range.sense].channel;
        let light = energised(&rig, Some(&light));
        let to = energised(&rig, Some(&heavy));
        let suspects = &light - &to;
        // Of what the loop at its most resistive lets flow, times `room`, the meter shows all.
        let left = |room: f64| {
            let volts = Volts::new(1.0);
            let shown = volts / rig.range_high(&heavy.range) * room;
            let flow = Flow {
                shown: (shown, shown),
                driving: (volts, volts * 2.0),
            };
            still_suspect(&rig, &suspects, &heavy, flow)
        };
        // The sense element beside takes a ninth from what is shown: with it, 1.05 are 1.16.
        let ruler = falsified(&rig, &BTreeSet::from([sense]), &heavy).ruler;
        let (own, other) = (100.0 * 1.0002, 1000.0 * 0.9998);
        assert!((ruler - (1.0 + own / other)).abs() < 1e-9, "{ruler}");
        let factor = {
            let high = rig.range_high(&heavy.range);
            let beside = 39_600.0 * 3_960.0 / (39_600.0 + 3_960.0);
            high.get() / (high.get() - 3_960.0 + beside)
        };
        assert!(suspects.contains(&111) && suspects.contains(&sense));
        assert!(!left(factor / ruler * (1.0 - 1e-9)).contains(&111));
        assert!(left(factor / ruler * (1.0 + 1e-9)).contains(&111));
        // What is closed on purpose is no suspect.
        let all: BTreeSet<u32> = rig.channels().into_iter().collect();
        let flow = Flow {
            shown: (Amps::ZERO, Amps::new(1e6)),
            driving: (Volts::ZERO, Volts::new(1.0)),
        };
        let left = still_suspect(&rig, &all, &heavy, flow);
        assert_eq!(left, &all - &to);
    }

    /// 1 kΩ beside the sense element of 100 Ω takes a tenth from what is shown, but for the contacts. What is shown of the
    /// most that can flow acquits it, and with it what could hide behind it.
    #[test]
    fn a_reading_acquits_the_sense_element_that_would_lower_it() {
        let rig = rig();
        let heavy = arrangement(&rig, 1e-3, vec![]);
        let sense = rig.sense[heavy.range.sense - 1].channel;
        let volts = Volts::new(1.0);
        let most = volts / loop_low(&rig, &heavy);
        let left = |suspects: &[u32], share: f64| {
            let flow = Flow {
                shown: (most * share, most * share),
                driving: (volts * 0.98, volts),
            };
            let suspects = suspects.iter().copied().collect();
            still_suspect(&rig, &suspects, &heavy, flow)
        };
        let (one, two) = (100.02 + 0.1, 1000.2 + 0.1);
        let shown = one * two / (one + two) / 100.0;
        let more = falsified(&rig, &BTreeSet::from([sense]), &heavy).current;
        assert!(left(&[sense], more * shown * (1.0 - 1e-9)).contains(&sense));
        assert!(left(&[sense], more * shown * (1.0 + 1e-9)).is_empty());
        // 40 kΩ beside the path of 4 kΩ make 1.1 of it: more than 0.98 to 1 as shown, but not more
        // than the tenth that the sense element could hide.
        assert_eq!(left(&[111], 1.0), BTreeSet::new());
        assert_eq!(left(&[111, sense], 0.95).len(), 2);
    }

    /// 10 kΩ and 1 kΩ of sense in a loop of 40 kΩ at 0.2 V show 40 mV and 5 mV.
    #[test]
    fn a_loop_without_sense_element_shows_which_ones_are_still_closed() {
        let rig = rig();
        let light = arrangement(&rig, 100e-6, vec![]);
        assert_eq!(
            (light.range.path, loop_low(&rig, &light) > Ohms::kilo(60.0)),
            (0, true)
        );
        let hidden = |shown: f64| {
            let open = OpenLoop {
                driving: (Volts::new(0.2), Volts::new(0.2)),
                shown: Volts::new(shown),
                doubt: Volts::micro(10.0),
                falsified: Falsified::NOT,
            };
            let may = |c: &u32| open.may_hide(&rig, *c, &light, Ohms::kilo(90.0));
            [141, 142, 111]
                .into_iter()
                .filter(may)
                .collect::<Vec<u32>>()
        };
        // Nothing flowed: neither. All is across the meter: neither.
        assert_eq!(hidden(0.0), [111]);
        assert_eq!(hidden(0.19), [111]);
        // Of 60 to 90 kΩ and so much of sense.
        assert_eq!(hidden(0.2 * 10.0 / 85.0), [141, 111]);
        assert_eq!(hidden(0.2 * 1.0 / 75.0), [142, 111]);
    }

    /// The edges of what 0.1 Ω of sense and its contact can show in a loop of about an ohm, where every
    /// term counts: by the rule of the divider, from the values in the rig file.
    #[test]
    fn a_sense_element_hides_behind_no_more_and_no_less_than_its_share() {
        let rig = rig();
        let heavy = arrangement(&rig, 5.0, vec![]);
        assert_eq!(rig.sense[heavy.range.sense].channel, 147);
        let (low, high) = (0.1 * 0.9998, 0.1 * 1.0002 + 0.1);
        let rest = loop_low(&rig, &heavy).get() / 1.25 - 0.01 * 1.0002;
        assert!((0.3..0.7).contains(&rest), "{rest}");
        let hides = |shown: f64, doubt: f64| {
            let open = OpenLoop {
                driving: (Volts::new(0.8), Volts::new(1.0)),
                shown: Volts::new(shown),
                doubt: Volts::new(doubt),
                falsified: Falsified {
                    current: 1.25,
                    ruler: 1.0,
                },
            };
            open.may_hide(&rig, 146, &heavy, Ohms::new(1.5))
        };
        let least = 0.8 * 0.5 * low / (1.5 + high);
        let most = 1.0 * high / (rest + high);
        let (less, more) = (1.0 - 1e-9, 1.0 + 1e-9);
        let doubt = 0.1 * least;
        assert!(!hides(least * less - doubt, doubt));
        assert!(hides(least * more - doubt, doubt));
        assert!(hides(most * less + doubt, doubt));
        assert!(!hides(most * more + doubt, doubt));
    }
}
