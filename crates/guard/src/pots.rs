//! The potentiometers of the series bank: set one after another, and read back as often as looked at.

use crate::fault::Fault;
use crate::rig::PotBank;
use drivers::Pots;

/// Potentiometers whose codes are known.
pub(crate) struct PotCodes {
    pots: Pots,
    numbers: Vec<u8>,
    told: Vec<u16>,
    power_up: Vec<u16>,
}

impl PotCodes {
    /// Sets all to their power-up code, whatever was before.
    pub async fn start(mut pots: Pots, bank: &PotBank) -> Result<Self, Fault> {
        let numbers: Vec<u8> = bank.pots.iter().map(|pot| pot.number).collect();
        let power_up = bank.at_power_up();
        for (number, code) in numbers.iter().zip(&power_up) {
            pots.set(*number, *code).await?;
        }
        let mut codes = Self {
            pots,
            numbers,
            told: power_up.clone(),
            power_up,
        };
        codes.confirm().await?;
        Ok(codes)
    }

    pub fn identity(&self) -> &str {
        self.pots.identity()
    }

    /// Of the moves to `wanted`, those that make a potentiometer larger. A bank that is not in use
    /// goes to the power-up codes: a bypass that opens by itself then finds the whole of it.
    pub async fn enlarge(&mut self, wanted: &[u16]) -> Result<(), Fault> {
        let wanted = self.whole(wanted);
        self.put(&larger(&self.told, &wanted)).await
    }

    /// The rest of the moves to `wanted`.
    pub async fn reach(&mut self, wanted: &[u16]) -> Result<(), Fault> {
        let wanted = self.whole(wanted);
        self.put(&wanted).await
    }

    fn whole(&self, wanted: &[u16]) -> Vec<u16> {
        match wanted.is_empty() {
            true => self.power_up.clone(),
            false => wanted.to_vec(),
        }
    }

    async fn put(&mut self, wanted: &[u16]) -> Result<(), Fault> {
        if self.told == wanted {
            return Ok(());
        }
        for ((number, told), wanted) in self.numbers.iter().zip(&mut self.told).zip(wanted) {
            if told != wanted {
                self.pots.set(*number, *wanted).await?;
                *told = *wanted;
            }
        }
        self.confirm().await
    }

    /// Reads all codes back. A bridge that has started anew shows itself here.
    pub async fn confirm(&mut self) -> Result<(), Fault> {
        for (number, told) in self.numbers.iter().zip(&self.told) {
            let found = self.pots.code(*number).await?;
            if found != *told {
                return Err(Fault::ReadBack {
                    what: "potentiometer",
                    wanted: format!("code {told} of potentiometer {number}"),
                    found: format!("code {found} (has its bridge started anew?)"),
                });
            }
        }
        Ok(())
    }
}

/// The larger of two codes at each potentiometer: on the way from one to the other, one after another
/// and by way of these, no state has less resistance than both ends.
pub(crate) fn larger(from: &[u16], to: &[u16]) -> Vec<u16> {
    from.iter().zip(to).map(|(a, b)| *a.max(b)).collect()
}
