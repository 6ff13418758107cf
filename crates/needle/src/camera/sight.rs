//! A camera and a reader together: who reads the needle.

use super::{Lens, Region};
use crate::reader::{Picture, Reader, TRUSTED};
use crate::report::refusal;
use evidence::{Needle, Sight, SightFuture, Sighting};

/// Reads the needle in the pictures of a camera. Whatever goes wrong is a refusal.
pub struct CameraSight {
    lens: Lens,
    reader: Reader,
    region: Option<Region>,
}

impl CameraSight {
    /// A reader set up for the dial that this camera sees, or sees in this region of its pictures.
    pub fn new(lens: Lens, reader: Reader, region: Option<Region>) -> Self {
        Self {
            lens,
            reader,
            region,
        }
    }

    async fn sight(&mut self) -> Sighting {
        let frame = match self.lens.frame().await {
            Ok(frame) => frame,
            Err(error) => return refusal(error.to_string()),
        };
        let seen = match self.region.map(|region| region.of(&frame.picture)) {
            None => read_needle(&self.reader, &frame.picture),
            Some(Ok(part)) => read_needle(&self.reader, &part),
            Some(Err(error)) => Err(error.to_string()),
        };
        Sighting {
            age: frame.taken.elapsed().as_secs_f64(),
            seen,
        }
    }
}

impl Sight for CameraSight {
    fn look(&mut self) -> SightFuture<'_> {
        Box::pin(self.sight())
    }

    fn name(&self) -> String {
        self.lens.name().to_owned()
    }
}

/// The needle in a picture, or why it can't be relied on while nobody watches.
///
/// # Errors
/// The reader's refusal, or its doubt, in words.
pub fn read_needle(reader: &Reader, picture: &Picture) -> Result<Needle, String> {
    let seen = reader
        .read(picture)
        .map_err(|refusal| refusal.to_string())?;
    if seen.confidence < TRUSTED {
        let mut doubt = format!(
            "the reading is doubtful ({:.2} of {TRUSTED})",
            seen.confidence
        );
        for reservation in reader.reservations() {
            doubt += "; ";
            doubt += reservation;
        }
        return Err(doubt);
    }
    Ok(Needle {
        deflection: seen.deflection,
        u: seen.u,
        u_shared: seen.u_shared,
    })
}
