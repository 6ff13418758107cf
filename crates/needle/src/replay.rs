//! Recorded sightings: written down as they are made, and played back.
//!
//! A recording is text in the words of the reader's line protocol: `READER` with the name of who
//! read, then one line for each look, behind the seconds that had passed since the recording began.

use crate::report::{parse_report, refusal, report};
use evidence::{ProbeFuture, Probed, Sight, SightFuture, Sighting};
use std::collections::VecDeque;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;
use thiserror::Error;
use tokio::time::{Instant, sleep_until};

/// Why a recording can't be played.
#[derive(Debug, Error)]
pub enum ReplayError {
    /// The file can't be read.
    #[error("{}: {error}", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// A line is none of a recording.
    #[error("{}:{line}: {why}", path.display())]
    Line {
        /// Which file.
        path: PathBuf,
        /// Number of the line, from 1.
        line: usize,
        /// What is wrong with it.
        why: String,
    },
}

/// Plays recorded sightings in order, one for each look, not before its time. After the last it
/// refuses.
#[derive(Clone, Debug)]
pub struct Replay {
    name: String,
    began: Instant,
    rest: VecDeque<(Duration, Sighting)>,
}

impl Replay {
    /// The recording in this file.
    ///
    /// # Errors
    /// When it can't be read, or a line is no sighting.
    pub fn open(path: &Path) -> Result<Self, ReplayError> {
        let text = std::fs::read_to_string(path).map_err(|error| ReplayError::File {
            path: path.to_owned(),
            error,
        })?;
        let wrong = |line, why: &str| ReplayError::Line {
            path: path.to_owned(),
            line,
            why: why.to_owned(),
        };
        let mut lines = text.lines().zip(1..);
        let name = lines
            .next()
            .and_then(|(line, _)| line.strip_prefix("READER "));
        let name = name.ok_or_else(|| wrong(1, "a recording begins with \"READER <name>\""))?;
        let mut rest = VecDeque::new();
        for (line, number) in lines {
            let timed = line.split_once(' ').and_then(|(time, words)| {
                let seconds = time.parse().ok()?;
                Some((Duration::try_from_secs_f64(seconds).ok()?, words))
            });
            let Some((time, words)) = timed else {
                return Err(wrong(number, "a sighting begins with its time in seconds"));
            };
            let sighting = parse_report(words);
            match &sighting.seen {
                Err(why) if !words.starts_with("UNSEEN") => return Err(wrong(number, why)),
                _ => rest.push_back((time, sighting)),
            }
        }
        Ok(Self {
            name: name.to_owned(),
            began: Instant::now(),
            rest,
        })
    }

    async fn next(&mut self) -> Sighting {
        let Some((time, _)) = self.rest.front() else {
            return refusal("the recording has ended".to_owned());
        };
        // A look that is given up meanwhile has taken nothing.
        sleep_until(self.began + *time).await;
        let next = self.rest.pop_front();
        next.map_or_else(
            || refusal("the recording has ended".to_owned()),
            |next| next.1,
        )
    }
}

impl Sight for Replay {
    fn look(&mut self) -> SightFuture<'_> {
        Box::pin(self.next())
    }

    fn name(&self) -> String {
        format!("recording of {}", self.name)
    }
}

/// A reader whose sightings are written down as they are made. One that can't be written down is
/// refused.
pub struct Recording<W> {
    sight: Box<dyn Sight>,
    began: Instant,
    to: W,
}

impl<W: Write + Send> Recording<W> {
    /// Writes down what `sight` sees.
    ///
    /// # Errors
    /// When `to` takes nothing.
    pub fn new(sight: Box<dyn Sight>, mut to: W) -> io::Result<Self> {
        writeln!(to, "READER {}", sight.name())?;
        let began = Instant::now();
        Ok(Self { sight, began, to })
    }

    fn kept(&mut self, sighting: Sighting) -> Sighting {
        let time = self.began.elapsed().as_secs_f64();
        match writeln!(self.to, "{time:.9} {}", report(&sighting)) {
            Ok(()) => sighting,
            Err(error) => refusal(format!("the sighting can't be written down: {error}")),
        }
    }
}

impl<W: Write + Send> Sight for Recording<W> {
    fn look(&mut self) -> SightFuture<'_> {
        Box::pin(async {
            let sighting = self.sight.look().await;
            self.kept(sighting)
        })
    }

    fn name(&self) -> String {
        self.sight.name()
    }

    fn by_person(&self) -> bool {
        self.sight.by_person()
    }

    fn ask<'a>(&'a mut self, about: &'a str) -> SightFuture<'a> {
        Box::pin(async move {
            let sighting = self.sight.ask(about).await;
            self.kept(sighting)
        })
    }

    fn probe<'a>(&'a mut self, about: &'a str, places: &'a [Probed]) -> ProbeFuture<'a> {
        self.sight.probe(about, places)
    }
}
