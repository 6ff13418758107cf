//! What a rig file promises, worked out before any current flows.

use super::Rig;
use quantity::{Amps, Seconds, Volts};

/// One line of a review.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Whether the rig may be used with this.
    pub passed: bool,
    /// What was worked out, with its figures.
    pub text: String,
}

/// What a rig file promises.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    /// All findings.
    pub findings: Vec<Finding>,
    /// The largest full-scale current that this rig reaches.
    pub reach: Amps,
    /// Index of the heaviest path that can be earned from the ones below it.
    pub heaviest: usize,
    /// The most that a contact can drive which closes by itself: that of the heaviest path beside the
    /// one in use, earned or not. The supply's limit then holds it lower, once it takes hold.
    pub contact_fault: Amps,
    /// Longest time from any state until off is commanded and the contacts have moved.
    pub off_commanded: Seconds,
    /// Longest time until off is verified by a reading.
    pub off_verified: Seconds,
}

impl Review {
    /// Whether every finding passed.
    pub fn passed(&self) -> bool {
        self.findings.iter().all(|finding| finding.passed)
    }
}

impl Rig {
    /// Works out what this rig promises: first touch, the ladder of paths, leakage, the time to
    /// the safe state.
    pub fn review(&self) -> Review {
        let mut findings = vec![self.first_touch(), self.dry_circuit(), self.leakage()];
        findings.extend(self.first_touch_reading());
        findings.extend(self.protection.trip.map(|trip| trip.finding(self)));
        let heaviest = self.ladder(&mut findings);
        let reach = self
            .creep_ranges()
            .into_iter()
            .filter(|r| r.path <= heaviest)
            .map(|r| r.top);
        let off_commanded = self.switch.operate + self.switch.bounce;
        Review {
            reach: reach.fold(Amps::ZERO, Amps::max) / self.limits.ceiling,
            heaviest,
            contact_fault: self.contact_fault(),
            off_commanded,
            off_verified: off_commanded + self.supply.settle + self.drop_meter.mains * 4.0,
            findings,
        }
    }

    /// Two paths in parallel, at the supply's maximum.
    fn contact_fault(&self) -> Amps {
        let mut currents: Vec<Amps> = self.paths.iter().map(|path| path.fault_current).collect();
        currents.sort_by(|a, b| b.get().total_cmp(&a.get()));
        currents.into_iter().take(2).sum()
    }

    /// With the set-point at zero the lightest range must stay below first touch.
    fn first_touch(&self) -> Finding {
        let touch = self.limits.first_touch;
        let Some(range) = self.range_for(touch * 10.0, quantity::Ohms::ZERO, 0) else {
            let fixed = self
                .paths
                .first()
                .map(|path| path.fixed.ohms)
                .unwrap_or_default();
            let text = format!(
                "no range for ten times the first touch ({}): the lightest path is {fixed}",
                touch * 10.0
            );
            return Finding {
                passed: false,
                text,
            };
        };
        let idle = self.supply.highest(Volts::ZERO, Volts::ZERO) / self.range_low(&range);
        let text = format!(
            "set to zero, the supply may still give {} over {}: {idle} against a first touch of {touch}",
            self.supply.offset,
            self.range_low(&range),
        );
        Finding {
            passed: idle <= touch * 0.5,
            text,
        }
    }

    fn dry_circuit(&self) -> Finding {
        let (rated, touch) = (self.switch.dry_circuit, self.limits.first_touch);
        Finding {
            passed: rated <= touch,
            text: format!("contacts are rated from {rated} on; first touch is {touch}"),
        }
    }

    fn leakage(&self) -> Finding {
        let share = self.switch.leakage / self.limits.first_touch;
        let text = format!(
            "leakage around an open movement is {:.2} % of first touch",
            share * 100.0
        );
        Finding {
            passed: share <= 0.01,
            text,
        }
    }

    /// First touch must be readable: at least 1 mV and better than 20 %.
    fn first_touch_reading(&self) -> Option<Finding> {
        let touch = self.limits.first_touch;
        let range = self.range_for(touch * 10.0, quantity::Ohms::ZERO, 0)?;
        let sense = &self.sense[range.sense];
        let volts = touch * sense.ohms;
        let meter = self.loop_meter.range_for(volts);
        let u = meter.offset / volts.get() + meter.gain + sense.tolerance;
        let text = format!(
            "first touch gives {volts} over the {} sense element, read within {:.2} %",
            sense.ohms,
            u * 100.0
        );
        Some(Finding {
            passed: volts >= Volts::milli(1.0) && u <= 0.2,
            text,
        })
    }

    /// Each path must be earnable from the one below it: the most that the lower one can drive,
    /// shown to move the needle no further than the ceiling, has to prove the stated share of
    /// the next fault current.
    fn ladder(&self, findings: &mut Vec<Finding>) -> usize {
        let mut heaviest = 0;
        for pair in self.paths.windows(2) {
            let proof = self.supply.max_voltage * 0.85 / pair[0].fixed.high();
            let needed = pair[1].fault_current * self.limits.earn;
            let passed = proof >= needed;
            findings.push(Finding {
                passed,
                text: format!(
                    "path {} (worst single fault {}) needs {needed} proven; path {} proves up to {proof}",
                    pair[1].name, pair[1].fault_current, pair[0].name
                ),
            });
            if !passed {
                break;
            }
            heaviest += 1;
        }
        heaviest
    }
}
