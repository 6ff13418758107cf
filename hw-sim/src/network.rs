//! Nodal analysis of a resistor network with one voltage source and current injections.
//!
//! The network is linear, so it is solved once per change of a contact for a unit of each input;
//! everything between two changes is a weighted sum (superposition). Source of the method: any
//! circuits textbook; node 0 is the reference, node 1 is held at the source voltage.

use nalgebra::{SMatrix, SVector};

/// Nodes, reference and source node included.
pub const NODES: usize = 11;
const UNKNOWN: usize = NODES - 2;

/// Inputs: source voltage, current injected at the movement, current injected at the loop meter.
pub const INPUTS: usize = 3;

/// Node voltages per unit of each input.
pub type NodeVoltages = [[f64; INPUTS]; NODES];

/// A network under construction.
#[derive(Debug, Clone, Default)]
pub struct Network {
    branches: Vec<(usize, usize, f64)>,
    injections: Vec<(usize, usize, usize)>,
}

impl Network {
    /// Empties it for the next solution, keeping its memory.
    pub fn clear(&mut self) {
        self.branches.clear();
        self.injections.clear();
    }

    /// Connects two nodes through `ohms`; an infinite value connects nothing.
    pub fn resistor(&mut self, from: usize, to: usize, ohms: f64) {
        if ohms.is_finite() {
            self.branches.push((from, to, ohms.recip()));
        }
    }

    /// Input number `input` injects its current into node `into`, taken from node `out_of`.
    pub fn injection(&mut self, into: usize, out_of: usize, input: usize) {
        self.injections.push((into, out_of, input));
    }

    /// Solves for unit inputs. Parts that hang in the air are given a reference of their own, so
    /// that differences inside them are right; `None` when an injection has no way back.
    pub fn solve(&self) -> Option<NodeVoltages> {
        let island = self.islands();
        let mut matrix = SMatrix::<f64, UNKNOWN, UNKNOWN>::zeros();
        let mut right = SMatrix::<f64, UNKNOWN, INPUTS>::zeros();
        for &(a, b, siemens) in &self.branches {
            for (here, there) in [(a, b), (b, a)] {
                if here < 2 {
                    continue;
                }
                matrix[(here - 2, here - 2)] += siemens;
                match there {
                    0 => {}
                    1 => right[(here - 2, 0)] += siemens,
                    _ => matrix[(here - 2, there - 2)] -= siemens,
                }
            }
        }
        for &(into, out_of, input) in &self.injections {
            if island[into] != island[out_of] {
                return None;
            }
            if into >= 2 {
                right[(into - 2, input)] += 1.0;
            }
            if out_of >= 2 {
                right[(out_of - 2, input)] -= 1.0;
            }
        }
        ground_islands(&island, &mut matrix, &mut right);
        let solved = matrix.cholesky()?.solve(&right);
        let mut volts = [[0.0; INPUTS]; NODES];
        volts[1][0] = 1.0;
        for (node, row) in volts.iter_mut().enumerate().skip(2) {
            for (input, value) in row.iter_mut().enumerate() {
                *value = solved[(node - 2, input)];
            }
        }
        Some(volts)
    }

    /// The lowest node that each node is connected to; reference and source count as one.
    fn islands(&self) -> [usize; NODES] {
        let mut island: [usize; NODES] = std::array::from_fn(|node| node);
        island[1] = 0;
        loop {
            let mut changed = false;
            for &(a, b, _) in &self.branches {
                let lowest = island[a].min(island[b]);
                changed |= island[a] != lowest || island[b] != lowest;
                island[a] = lowest;
                island[b] = lowest;
            }
            if !changed {
                return island;
            }
        }
    }
}

/// Holds the lowest node of every floating part at zero.
fn ground_islands(
    island: &[usize; NODES],
    matrix: &mut SMatrix<f64, UNKNOWN, UNKNOWN>,
    right: &mut SMatrix<f64, UNKNOWN, INPUTS>,
) {
    for (node, lowest) in island.iter().enumerate().skip(2) {
        if *lowest != node {
            continue;
        }
        let row = node - 2;
        matrix.set_row(row, &SVector::<f64, UNKNOWN>::zeros().transpose());
        matrix.set_column(row, &SVector::<f64, UNKNOWN>::zeros());
        matrix[(row, row)] = 1.0;
        right.set_row(row, &SVector::<f64, INPUTS>::zeros().transpose());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loaded_divider_is_the_closed_form() {
        let mut network = Network::default();
        network.resistor(1, 2, 10_000.0);
        network.resistor(2, 0, 10_000.0);
        network.resistor(2, 0, 100_000.0);
        let volts = network.solve().unwrap();
        let expected = (1e9 / 1.1e5) / (1e4 + 1e9 / 1.1e5);
        assert!((volts[2][0] - expected).abs() < 1e-15);
    }

    #[test]
    fn floating_part_keeps_its_differences() {
        let mut network = Network::default();
        network.resistor(1, 2, 1e3);
        network.resistor(5, 6, 1e7);
        network.injection(5, 6, 1);
        let volts = network.solve().unwrap();
        assert!((volts[5][1] - volts[6][1] - 1e7).abs() < 1e-6);
        assert!((volts[2][0] - 1.0).abs() < 1e-15);
    }

    #[test]
    fn injection_without_a_way_back_has_no_solution() {
        let mut network = Network::default();
        network.resistor(1, 2, 1e3);
        network.injection(5, 6, 1);
        assert!(network.solve().is_none());
    }

    #[test]
    fn wheatstone_bridge_at_extreme_ratios() {
        // Bridge current from the Thevenin equivalent of its two dividers.
        let (r1, r2, r3, r4, r5) = (3e6, 0.04, 1e4, 0.02, 2e3);
        let mut network = Network::default();
        network.resistor(1, 2, r1);
        network.resistor(2, 0, r2);
        network.resistor(1, 3, r3);
        network.resistor(3, 0, r4);
        network.resistor(2, 3, r5);
        let volts = network.solve().unwrap();
        let open = r2 / (r1 + r2) - r4 / (r3 + r4);
        let inner = r1 * r2 / (r1 + r2) + r3 * r4 / (r3 + r4);
        let expected = open / (inner + r5) * r5;
        let found = volts[2][0] - volts[3][0];
        assert!((found / expected - 1.0).abs() < 1e-6, "{found} {expected}");
    }
}
