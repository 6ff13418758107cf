//! A reader behind a stream, under a clock that only moves when everybody waits.

#![allow(clippy::expect_used)]

use evidence::{Needle, Sight, SightFuture, Sighting};
use needle::{DEADLINE, ReaderError, Recording, Replay, WireReader};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::task::JoinHandle;
use tokio::time::Instant;

enum Step {
    /// The next line that the reader must receive.
    Hears(&'static str),
    /// Bytes that it answers.
    Says(&'static str),
    /// Milliseconds that it waits.
    Waits(u64),
}
use Step::{Hears, Says, Waits};

/// Plays a reader step by step. It ends when all steps are done and the other end has closed, and
/// hands back what was sent beyond the script.
fn reader(steps: Vec<Step>) -> (DuplexStream, JoinHandle<String>) {
    let (ours, mut theirs) = duplex(4096);
    let played = tokio::spawn(async move {
        for step in steps {
            match step {
                Hears(line) => {
                    let mut heard = vec![0; line.len()];
                    theirs
                        .read_exact(&mut heard)
                        .await
                        .expect("a line should come");
                    assert_eq!(String::from_utf8_lossy(&heard), line);
                }
                Says(text) => theirs.write_all(text.as_bytes()).await.expect("still open"),
                Waits(ms) => tokio::time::sleep(Duration::from_millis(ms)).await,
            }
        }
        let mut beyond = String::new();
        theirs.read_to_string(&mut beyond).await.expect("text");
        beyond
    });
    (ours, played)
}

fn deflection(sighting: &Sighting) -> f64 {
    sighting.seen.as_ref().expect("seen").deflection
}

#[tokio::test(start_paused = true)]
async fn sightings_come_through() {
    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER bench camera\r\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.25 0.0"),
        Waits(30),
        Says("01 0.002 0.05\n"),
        Hears("LOOK\n"),
        Says("UNSEEN glare over the pointer\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    assert_eq!(reader.name(), "bench camera");
    let seen = reader.look().await;
    assert_eq!(seen.age, 0.05);
    assert_eq!(
        seen.seen,
        Ok(Needle {
            deflection: 0.25,
            u: 0.001,
            u_shared: 0.002
        })
    );
    assert_eq!(
        reader.look().await.seen,
        Err("glare over the pointer".to_owned())
    );
    drop(reader);
    assert_eq!(played.await.unwrap(), "");
}

#[tokio::test(start_paused = true)]
async fn a_late_sighting_is_never_used() {
    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Waits(3000),
        Hears("WHO\n"),
        // The answer to the first look comes after the second has asked who is there.
        Says("SEEN 0.10 0.001 0.001 0.01\n"),
        Waits(100),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.90 0.001 0.001 0.01\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    let lost = reader.look().await.seen.unwrap_err();
    assert!(
        lost.contains("no answer from the reader within 2s"),
        "{lost}"
    );
    assert_eq!(deflection(&reader.look().await), 0.90);
    drop(reader);
    assert_eq!(played.await.unwrap(), "");
}

#[tokio::test(start_paused = true)]
async fn two_answers_in_a_row_stay_in_step() {
    // The reader misses a look and its first introduction, and answers all of it later. The first
    // name must not be taken for the answer to the second question with old sightings behind it.
    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Hears("WHO\n"),
        Hears("WHO\n"),
        Says("SEEN 0.1 0.001 0.001 0\nREADER camera\n"),
        Waits(1500),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.9 0.001 0.001 0\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    assert!(reader.look().await.seen.is_err());
    assert!(reader.look().await.seen.is_err());
    assert_eq!(deflection(&reader.look().await), 0.9);
    drop(reader);
    assert_eq!(played.await.unwrap(), "");
}

#[tokio::test(start_paused = true)]
async fn what_comes_unasked_is_not_the_next_answer() {
    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.1 0.001 0.001 0\n"),
        Waits(10),
        Says("SEEN 0.2 0.001 0.001 0\n"),
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.3 0.001 0.001 0\nSEEN 0.4 0.001 0.001 0\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    assert_eq!(deflection(&reader.look().await), 0.1);
    tokio::time::sleep(Duration::from_millis(20)).await;
    let doubled = reader.look().await.seen.unwrap_err();
    assert!(doubled.contains("more than one answer"), "{doubled}");
    drop(reader);
    assert_eq!(played.await.unwrap(), "");
}

#[tokio::test(start_paused = true)]
async fn a_look_given_up_half_way_is_not_the_next_one() {
    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Waits(500),
        Says("SEEN 0.1 0.001 0.001 0\n"),
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
        Says("SEEN 0.9 0.001 0.001 0\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    let given_up = tokio::time::timeout(Duration::from_millis(100), reader.look()).await;
    assert!(given_up.is_err());
    assert_eq!(deflection(&reader.look().await), 0.9);
    drop(reader);
    assert_eq!(played.await.unwrap(), "");
}

#[tokio::test(start_paused = true)]
async fn a_lost_reader_refuses_for_ever() {
    let (stream, mut end) = duplex(256);
    end.write_all(b"READER camera\n").await.unwrap();
    // What was sent before the question is drained, so this one does not introduce itself.
    let error = WireReader::open(stream, DEADLINE).await.unwrap_err();
    assert!(matches!(error, ReaderError::Unknown(_)), "{error}");

    let (stream, played) = reader(vec![
        Hears("WHO\n"),
        Says("READER camera\n"),
        Hears("LOOK\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    let look = async {
        let first = reader.look().await;
        played.abort();
        let second = reader.look().await;
        let third = reader.look().await;
        [first, second, third]
    };
    for sighting in look.await {
        let reason = sighting.seen.unwrap_err();
        assert!(reason.contains("no answer from the reader"), "{reason}");
    }
}

#[tokio::test(start_paused = true)]
async fn another_reader_is_not_taken_for_the_known_one() {
    let (stream, _played) = reader(vec![
        Hears("WHO\n"),
        Says("READER left camera\n"),
        Hears("LOOK\n"),
        Says("what?\n"),
        Hears("WHO\n"),
        Says("READER right camera\n"),
    ]);
    let mut reader = WireReader::open(stream, DEADLINE).await.unwrap();
    assert!(
        reader
            .look()
            .await
            .seen
            .unwrap_err()
            .contains("\"what?\" is no sighting")
    );
    let changed = reader.look().await.seen.unwrap_err();
    assert!(
        changed.contains("\"right camera\" answers instead of \"left camera\""),
        "{changed}"
    );
    assert!(reader.look().await.seen.is_err());
}

/// Sees the needle, sees nothing, and sees it again, each after its time.
struct Scripted(std::vec::IntoIter<(u64, Sighting)>);

impl Sight for Scripted {
    fn look(&mut self) -> SightFuture<'_> {
        let (wait, sighting) = self.0.next().expect("another look");
        Box::pin(async move {
            tokio::time::sleep(Duration::from_millis(wait)).await;
            sighting
        })
    }

    fn name(&self) -> String {
        "bench".to_owned()
    }
}

#[tokio::test(start_paused = true)]
async fn a_recording_plays_what_was_seen_at_its_time_and_ends_in_refusals() {
    let seen = |deflection| Sighting {
        age: 0.1,
        seen: Ok(Needle {
            deflection,
            // No short decimal number.
            u: 0.1 + 0.2,
            u_shared: 0.0,
        }),
    };
    let refused = Sighting {
        age: 0.0,
        seen: Err("glare over it".to_owned()),
    };
    let script = vec![
        (30, seen(0.1 / 3.0)),
        (400, refused.clone()),
        (5, seen(-2e-5)),
    ];
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("seen.txt");
    let file = std::fs::File::create(&path).unwrap();
    let scripted = Box::new(Scripted(script.clone().into_iter()));
    let mut recording = Recording::new(scripted, file).unwrap();
    for (_, sighting) in &script {
        assert_eq!(recording.look().await, *sighting);
    }
    let mut replay = Replay::open(&path).unwrap();
    assert_eq!(replay.name(), "recording of bench");
    let began = Instant::now();
    let mut due = Duration::ZERO;
    for (wait, sighting) in &script {
        due += Duration::from_millis(*wait);
        // One that is given up takes nothing.
        let early = tokio::time::timeout(Duration::from_millis(2), replay.look()).await;
        assert!(early.is_err());
        assert_eq!(replay.look().await, *sighting);
        let late = began.elapsed() - due;
        assert!(late < Duration::from_millis(2), "{late:?}");
    }
    assert_eq!(
        replay.look().await.seen,
        Err("the recording has ended".to_owned())
    );
}

#[test]
fn what_is_no_recording_is_pointed_at() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("seen.txt");
    for (text, line, why) in [
        ("", 1, "begins with \"READER"),
        ("SEEN 0 1 1 0", 1, "begins with \"READER"),
        (
            "READER x\n0.1 UNSEEN\nSEEN 0.1 0.1 0 0",
            3,
            "time in seconds",
        ),
        ("READER x\n-1 UNSEEN", 2, "time in seconds"),
        ("READER x\n1e99 UNSEEN", 2, "time in seconds"),
        ("READER x\n0.1 SEEN 0.1 0.1 0", 2, "is no sighting"),
    ] {
        std::fs::write(&path, text).unwrap();
        let error = Replay::open(&path).unwrap_err().to_string();
        let place = format!("{}:{line}: ", path.display());
        assert!(error.starts_with(&place) && error.contains(why), "{error}");
    }
}

#[tokio::test]
async fn a_reader_on_a_socket_that_is_closed_refuses() {
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0))
        .await
        .unwrap();
    let port = listener.local_addr().unwrap().port();
    let server = tokio::spawn(async move {
        let (mut peer, _) = listener.accept().await.unwrap();
        let mut line = [0; 4];
        peer.read_exact(&mut line).await.unwrap();
        peer.write_all(b"READER socket\n").await.unwrap();
        let mut line = [0; 5];
        peer.read_exact(&mut line).await.unwrap();
    });
    let mut reader = WireReader::connect("127.0.0.1", port, DEADLINE)
        .await
        .unwrap();
    let reason = reader.look().await.seen.unwrap_err();
    assert!(reason.contains("closed it"), "{reason}");
    server.await.unwrap();
}

proptest::proptest! {
    #[test]
    fn no_line_makes_a_wrong_needle(line in ".*") {
        let sighting = needle::parse_report(&line);
        if let Ok(needle) = sighting.seen {
            assert!((-1.0..=2.0).contains(&needle.deflection) && needle.u > 0.0);
            assert!(needle.u_shared >= 0.0 && (0.0..=60.0).contains(&sighting.age));
        }
    }

    #[test]
    fn numbers_of_any_kind(d in proptest::num::f64::ANY, u in proptest::num::f64::ANY) {
        let sighting = needle::parse_report(&format!("SEEN {d} {u} 0.01 0.1"));
        let fair = (-1.0..=2.0).contains(&d) && u > 0.0 && u <= 1.0;
        assert_eq!(sighting.seen.is_ok(), fair);
    }
}
