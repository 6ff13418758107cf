//! Serial ports for real, on pseudo-terminals.

#![allow(clippy::expect_used, clippy::panic)]

mod common;

use common::pty::Pty;
use drivers::{Link, LinkError, LinkState, Serial, Wire};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::process::Command;
use std::time::Duration;

const DEADLINE: Duration = Duration::from_millis(2000);

fn wire() -> Wire {
    Wire::lines(DEADLINE)
}

/// Plays the instrument on a thread of its own while `driver` runs.
fn serve(
    mut pty: Pty,
    part: impl FnOnce(&mut Pty) + Send + 'static,
) -> std::thread::JoinHandle<Pty> {
    std::thread::spawn(move || {
        part(&mut pty);
        pty
    })
}

#[tokio::test]
async fn questions_over_a_port_with_answers_in_pieces() {
    let pty = Pty::new();
    let mut link = Link::serial(&pty.path, &wire()).await.unwrap();
    let served = serve(pty, |pty| {
        assert_eq!(pty.hear(3), b"V?\n");
        for piece in [&b"12."[..], b"3", b"45\r", b"\n"] {
            pty.say(piece);
        }
        // Handshake and editing characters go through both ways as they are.
        assert_eq!(pty.hear(4), b"A 1\n");
        assert_eq!(pty.hear(3), b"W?\n");
        pty.say(b"\x11x\x13\x03\x04\x7f\n");
    });
    assert_eq!(link.query("V?", DEADLINE).await.unwrap(), "12.345");
    link.send("A 1").await.unwrap();
    let reply = link.query("W?", DEADLINE).await.unwrap();
    assert_eq!(reply, "\x11x\x13\x03\x04\x7f");
    served.join().unwrap();
}

#[tokio::test]
async fn a_port_is_held_by_one_alone_and_let_go() {
    let pty = Pty::new();
    let link = Link::serial(&pty.path, &wire()).await.unwrap();
    let error = Link::serial(&pty.path, &wire()).await.unwrap_err();
    assert!(
        error.to_string().contains("another program holds it"),
        "{error}"
    );
    drop(link);
    Link::serial(&pty.path, &wire()).await.unwrap();
}

#[tokio::test]
async fn a_port_that_goes_away_is_gone_at_once() {
    let pty = Pty::new();
    let mut link = Link::serial(&pty.path, &wire()).await.unwrap();
    let served = serve(pty, |pty| assert_eq!(pty.hear(3), b"V?\n"));
    let waiting = tokio::time::timeout(DEADLINE / 2, link.query("V?", DEADLINE));
    let unplugging = tokio::task::spawn_blocking(|| served.join().unwrap().unplug());
    let (asked, unplugged) = tokio::join!(waiting, unplugging);
    unplugged.unwrap();
    let error = asked.expect("no waiting for the deadline").unwrap_err();
    assert!(matches!(error, LinkError::Gone { .. }), "{error}");
    assert!(error.to_string().contains("brltty"), "{error}");
    assert_eq!(link.state(), LinkState::Gone);
    let error = link.send("A 1").await.unwrap_err();
    assert!(matches!(error, LinkError::Gone { .. }), "{error}");
}

#[tokio::test]
async fn a_port_whose_other_end_does_not_read_blocks_nobody() {
    let pty = Pty::new();
    let wire = Wire {
        deadline: Duration::from_millis(100),
        ..wire()
    };
    let mut link = Link::serial(&pty.path, &wire).await.unwrap();
    let line = "x".repeat(1000);
    let error = loop {
        if let Err(error) = link.send(&line).await {
            break error;
        }
    };
    assert!(matches!(error, LinkError::Blocked { .. }), "{error}");
    drop(pty);
}

#[tokio::test]
async fn a_port_is_taken_over_while_nobody_else_can_have_it() {
    let pty = Pty::new();
    let path = pty.path.clone();
    let mut link = Link::serial(&path, &wire()).await.unwrap();
    let twin = link.take_twin().expect("a second handle");
    drop(link);
    let error = Link::serial(&path, &wire()).await.unwrap_err();
    assert!(
        error.to_string().contains("another program holds it"),
        "{error}"
    );
    let mut taken = Link::adopt(twin, "supply", &wire()).unwrap();
    assert_eq!(taken.state(), LinkState::Dirty);
    let served = serve(pty, |pty| {
        // The end of a line that may have been cut, and then the identity.
        assert_eq!(pty.hear(7), b"\n*IDN?\n");
        pty.say(b"stale\nME\n");
    });
    taken.resync("*IDN?", "ME").await.unwrap();
    assert_eq!(taken.state(), LinkState::Clean);
    let pty = served.join().unwrap();
    drop(taken);
    Link::serial(&path, &wire()).await.unwrap();
    drop(pty);
}

#[tokio::test]
async fn what_was_left_unread_is_discarded_and_settings_are_set() {
    let mut pty = Pty::new();
    drop(Link::serial(&pty.path, &wire()).await.unwrap());
    pty.say(b"from the last program\n");
    let odd = Wire {
        serial: Serial {
            baud: 38_400,
            hang_up: false,
            ..Serial::default()
        },
        ..wire()
    };
    let mut link = Link::serial(&pty.path, &odd).await.unwrap();
    let handle = link.take_twin().expect("a second handle");
    let modes = rustix::termios::tcgetattr(&handle).unwrap();
    assert_eq!(modes.output_speed(), 38_400);
    let hangs_up = rustix::termios::ControlModes::HUPCL;
    assert!(!modes.control_modes.contains(hangs_up));
    let served = serve(pty, |pty| {
        assert_eq!(pty.hear(3), b"V?\n");
        pty.say(b"7\n");
    });
    assert_eq!(link.query("V?", DEADLINE).await.unwrap(), "7");
    served.join().unwrap();
}

#[tokio::test]
async fn a_number_or_a_missing_port_is_told_what_to_do() {
    for (port, part) in [
        ("3", "write its path"),
        ("/dev/no-such-port", "there is no such port now"),
        ("/dev/null", "it is no serial port"),
    ] {
        let error = Link::serial(port, &wire()).await.unwrap_err().to_string();
        assert!(error.contains(part), "{error}");
        assert!(error.starts_with("ASRL"), "{error}");
    }
}

const ASKED: &str = "DRIVERS_TEST_PORT";

/// Run again by `nobody_is_told_why` as another user: prints why the port can't be had.
#[tokio::test]
async fn opens_the_port_it_is_told() {
    let Some(port) = std::env::var_os(ASKED) else {
        return;
    };
    let error = Link::serial(port.to_str().unwrap(), &wire())
        .await
        .unwrap_err();
    println!("refused: {error}");
}

/// Root is refused nothing by permissions and exclusive use alone: another user is needed.
#[test]
fn nobody_is_told_why() {
    let pty = Pty::new();
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("ports");
    std::fs::copy(std::env::current_exe().unwrap(), &copy).unwrap();
    for path in [folder.path(), copy.as_path()] {
        std::fs::set_permissions(path, PermissionsExt::from_mode(0o755)).unwrap();
    }
    let root = rustix::process::geteuid().is_root();
    let ask = |mode: u32| {
        std::fs::set_permissions(&pty.path, PermissionsExt::from_mode(mode)).unwrap();
        let mut command = Command::new(&copy);
        command.args(["opens_the_port_it_is_told", "--exact", "--nocapture"]);
        command.env(ASKED, &pty.path).current_dir(folder.path());
        if root {
            command.uid(65_534).gid(65_534);
        }
        let output = command.output().unwrap();
        String::from_utf8_lossy(&output.stdout).into_owned()
    };
    let said = ask(if root { 0o600 } else { 0o000 });
    assert!(
        said.contains("refused") && said.contains("join the group"),
        "{said}"
    );
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    let _runtime = runtime.enter();
    std::fs::set_permissions(&pty.path, PermissionsExt::from_mode(0o666)).unwrap();
    let link = runtime.block_on(Link::serial(&pty.path, &wire())).unwrap();
    let said = ask(0o666);
    assert!(
        said.contains("refused") && said.contains("another program holds it"),
        "{said}"
    );
    drop(link);
}
