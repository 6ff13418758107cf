//! Relay boards of every family.

use super::{bench, dialect, wire};
use drivers::{Dialect, DriverError, Link, LinkError, LinkState, Switch};
use hw_sim::{Language, Line, Port, SharedBench};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio::time::sleep;

const FAMILIES: [(&str, Language); 4] = [
    ("four-byte-switch", Language::FourByte),
    ("answered-four-byte-switch", Language::FourByteAnswered),
    ("modbus-switch", Language::Modbus),
    ("prompt-switch", Language::Words),
];

fn link(stream: DuplexStream, dialect: &Dialect) -> Link {
    Link::over(Box::new(stream), "board", &dialect.wire)
}

/// Channels whose contacts are really away from rest, once all have moved.
async fn away(bench: &SharedBench) -> Vec<u16> {
    sleep(Duration::from_millis(500)).await;
    let mut bench = bench.lock().unwrap();
    bench.catch_up();
    bench.closed_channels()
}

#[tokio::test(start_paused = true)]
async fn every_family_moves_the_contacts_it_is_told_to() {
    for (name, language) in FAMILIES {
        let (bench, dialect) = (bench(), dialect(name));
        let stream = wire(&bench, language, Line::of(language));
        let board = Switch::open(link(stream, &dialect), &dialect)
            .await
            .unwrap();
        let mut board = board
            .with_channels(&[101, 102, 103, 121, 122, 123])
            .unwrap();
        assert!(
            away(&bench).await.is_empty(),
            "{name}: opening moves nothing"
        );
        board.energise(&[101, 103, 121, 122]).await.unwrap();
        board.barrier().await.unwrap();
        assert_eq!(away(&bench).await, [101, 103, 121, 122], "{name}");
        assert_eq!(board.energised(&[103, 101]).await.unwrap(), [true, true]);
        board.release(&[101, 122]).await.unwrap();
        assert_eq!(away(&bench).await, [103, 121], "{name}");
        board.energise(&[102]).await.unwrap();
        board.release_all_now().await.unwrap();
        assert_eq!(away(&bench).await, [0u16; 0], "{name}");
        board.release_all().await.unwrap();
        let all = board.channels().to_vec();
        assert_eq!(board.energised(&all).await.unwrap(), [false; 6], "{name}");
        let error = board.energise(&[104]).await.unwrap_err();
        assert!(matches!(error, DriverError::OutOfRange { .. }), "{error}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_board_without_read_back_says_only_what_it_was_told() {
    let (bench, dialect) = (bench(), dialect("four-byte-switch"));
    let stream = wire(&bench, Language::FourByte, Line::of(Language::FourByte));
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    assert!(!board.reads_back());
    assert!(board.identity().contains("without identity or read-back"));
    // What the last program left is not known, and is not taken for "released".
    let error = board.energised(&[101]).await.unwrap_err().to_string();
    assert!(error.contains("drive all channels first"), "{error}");
    board.release(&[101]).await.unwrap();
    assert_eq!(board.energised(&[101]).await.unwrap(), [false]);
    // After an emergency nothing is known until it is driven again.
    board.release_now(&[101]).await.unwrap();
    board.energised(&[101]).await.unwrap_err();
}

#[tokio::test(start_paused = true)]
async fn a_frame_lost_once_is_made_good_where_nothing_tells() {
    let (bench, dialect) = (bench(), dialect("four-byte-switch"));
    // Busy for longer than the pace after each frame: every second one is lost.
    let line = Line {
        deaf: Duration::from_millis(5),
        ..Line::of(Language::FourByte)
    };
    let stream = wire(&bench, Language::FourByte, line);
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    board.energise(&[101, 103, 121]).await.unwrap();
    assert_eq!(away(&bench).await, [101, 103, 121]);
}

#[tokio::test(start_paused = true)]
async fn commands_too_close_together_are_lost_and_the_pace_keeps_them_apart() {
    for (pace, heard) in [(0, 0), (30, 4)] {
        let (bench, mut dialect) = (bench(), dialect("modbus-switch"));
        dialect.wire.pace = Duration::from_millis(pace);
        let line = Line {
            deaf: Duration::from_millis(25),
            ..Line::of(Language::Modbus)
        };
        let stream = wire(&bench, Language::Modbus, line);
        let mut board = Switch::open(link(stream, &dialect), &dialect)
            .await
            .unwrap();
        let mut done = 0;
        for channel in [101, 103, 121, 123] {
            done += usize::from(board.energise(&[channel]).await.is_ok());
        }
        let away = away(&bench).await.len();
        assert!(done == away, "what was lost was noticed: {done} {away}");
        assert!(done >= heard && (pace > 0 || done < 4), "{pace}: {done}");
    }
}

#[tokio::test(start_paused = true)]
async fn an_adapter_that_repeats_what_is_sent_is_seen_through() {
    let (bench, mut dialect) = (bench(), dialect("modbus-switch"));
    let line = Line {
        repeats: true,
        ..Line::of(Language::Modbus)
    };
    let stream = wire(&bench, Language::Modbus, line.clone());
    let refused = Switch::open(link(stream, &dialect), &dialect).await;
    assert!(refused.is_err(), "an echo is no answer");
    dialect.wire.echo = true;
    let stream = wire(&bench, Language::Modbus, line);
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    board.energise(&[101]).await.unwrap();
    assert_eq!(board.energised(&[101, 102]).await.unwrap(), [true, false]);
    // And where it should repeat but does not.
    let stream = wire(&bench, Language::Modbus, Line::of(Language::Modbus));
    let error = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap_err();
    assert!(matches!(error, DriverError::Link(_)), "{error}");
}

#[tokio::test(start_paused = true)]
async fn a_slow_board_is_waited_for() {
    let (bench, dialect) = (bench(), dialect("modbus-switch"));
    let line = Line {
        latency: Duration::from_millis(700),
        ..Line::of(Language::Modbus)
    };
    let stream = wire(&bench, Language::Modbus, line);
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    board.energise(&[101]).await.unwrap();
    assert_eq!(board.energised(&[101]).await.unwrap(), [true]);
}

#[tokio::test(start_paused = true)]
async fn a_board_that_is_not_there_sends_the_frame_back() {
    let dialect = dialect("answered-four-byte-switch");
    let (ours, mut theirs) = tokio::io::duplex(64);
    tokio::spawn(async move {
        let mut frame = [0; 4];
        while theirs.read_exact(&mut frame).await.is_ok() {
            theirs.write_all(&frame).await.unwrap();
        }
    });
    let error = Switch::open(link(ours, &dialect), &dialect)
        .await
        .unwrap_err()
        .to_string();
    assert!(error.contains("no board of this address"), "{error}");
}

#[tokio::test(start_paused = true)]
async fn a_board_without_its_register_words_is_refused_by_name() {
    let (bench, mut dialect) = (bench(), dialect("modbus-switch"));
    let stream = wire(&bench, Language::Modbus, Line::of(Language::Modbus));
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    // 200 coils, so channel 201 is beyond: exception 02, told as such.
    let error = board.energise(&[201]).await.unwrap_err().to_string();
    assert!(error.contains("exception 02"), "{error}");
    board.energise(&[101]).await.unwrap();
    // The same board by function 06.
    let drivers::Words::Board(words) = &mut dialect.words else {
        panic!("no board");
    };
    words.register = Some(drivers::Register { on: 1, off: 2 });
    let stream = wire(&bench, Language::Modbus, Line::of(Language::Modbus));
    let mut board = Switch::open(link(stream, &dialect), &dialect)
        .await
        .unwrap();
    board.energise(&[103, 104]).await.unwrap();
    board.release(&[101]).await.unwrap();
    assert_eq!(away(&bench).await, [103, 104]);
}

/// The answer to one question comes after its deadline: it must not be taken for that to the next.
#[tokio::test(start_paused = true)]
async fn a_late_frame_is_never_taken_for_the_next_answer() {
    let dialect = dialect("modbus-switch");
    let (ours, mut theirs) = tokio::io::duplex(256);
    tokio::spawn(async move {
        let mut frame = [0; 8];
        let mut asked = 0;
        while theirs.read_exact(&mut frame).await.is_ok() {
            asked += 1;
            // States differ from question to question; the second one is answered late.
            let on: [u8; 6] = [0x01, 0x01, 0x01, 0x01, 0x90, 0x48];
            let off: [u8; 6] = [0x01, 0x01, 0x01, 0x00, 0x51, 0x88];
            if asked == 2 {
                sleep(Duration::from_millis(1700)).await;
            }
            let reply = if asked == 2 { on } else { off };
            theirs.write_all(&reply).await.unwrap();
        }
    });
    let mut board = Switch::open(link(ours, &dialect), &dialect).await.unwrap();
    let error = board.energised(&[1]).await.unwrap_err();
    assert!(
        matches!(error, DriverError::Link(LinkError::Timeout { .. })),
        "{error}"
    );
    assert_eq!(board.state(), LinkState::Dirty);
    for _ in 0..3 {
        assert_eq!(board.energised(&[1]).await.unwrap(), [false]);
    }
}

/// Opening the port starts the board anew: it is waited for, and what it did then is known.
#[tokio::test]
async fn a_board_that_starts_anew_when_its_port_is_opened() {
    let (bench, mut dialect) = (bench(), dialect("prompt-switch"));
    dialect.wire.banner = "READY".to_owned();
    dialect.wire.boot = Duration::from_secs(20);
    let line = Line {
        starts: Some((Duration::from_millis(300), "READY 2.0")),
        ..Line::of(Language::Words)
    };
    let port = Port::serve(hw_sim::Outlet::new(&bench, Language::Words, line)).unwrap();
    let path = port.path.to_str().unwrap().to_owned();
    let serving = tokio::spawn(port.run());
    let open = async || {
        let link = Link::serial(&path, &dialect.wire).await.unwrap();
        Switch::open(link, &dialect).await.unwrap()
    };
    let mut board = open().await;
    board.energise(&[103]).await.unwrap();
    assert_eq!(away(&bench).await, [103]);
    drop(board);
    let mut board = open().await;
    assert!(away(&bench).await.is_empty(), "it has started anew");
    assert_eq!(board.energised(&[103]).await.unwrap(), [false]);
    serving.abort();
}
