//! `rig probe`: instruments on real wires are found and nothing about them changes.

use crate::program::program;
use guard::{Answer, ask_identity};
use hw_sim::{Bench, Language, Line, Outlet, Port, SharedBench, find};
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// An instrument of the bench on a port of its own.
fn serve(bench: &SharedBench, language: Language) -> Port {
    Port::serve(Outlet::new(bench, language, Line::of(language))).unwrap()
}

fn bench() -> SharedBench {
    Arc::new(Mutex::new(Bench::standard(&find("heron").unwrap(), 5)))
}

fn dialects(answer: &Answer) -> Vec<&str> {
    match answer {
        Answer::Identity(_, fits) => fits.iter().map(|fit| fit.dialect.as_str()).collect(),
        other => panic!("{other:?}"),
    }
}

/// Everything that arrives at an instrument on the network.
#[tokio::test]
async fn nothing_but_the_identity_question_is_sent() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let place = format!(
        "TCPIP::127.0.0.1::{}::SOCKET",
        listener.local_addr().unwrap().port()
    );
    let heard = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        let mut stream = BufReader::new(stream);
        let (mut heard, mut line) = (Vec::new(), String::new());
        while stream.read_line(&mut line).await.unwrap() > 0 {
            if line.trim() == "*IDN?" {
                stream.write_all(b"Heath,PS-1,0,1.0\n").await.unwrap();
            }
            heard.push(std::mem::take(&mut line).trim().to_owned());
        }
        heard
    });
    let answer = ask_identity(&place, None).await;
    let fits = dialects(&answer);
    assert!(
        fits.contains(&"scpi-supply") && fits.contains(&"scpi-meter"),
        "{fits:?}"
    );
    assert!(!fits.contains(&"plain-ascii-supply"), "{fits:?}");
    assert_eq!(heard.await.unwrap(), ["*IDN?"]);
}

/// A supply that is on and a relay board with closed contacts, on pseudo-terminals: both stay so.
#[tokio::test]
async fn what_is_on_stays_on_and_what_is_closed_stays_closed() {
    let bench = bench();
    let listening = hw_sim::tcp(&bench, 0).await.unwrap();
    let ports: Vec<u16> = listening.addresses.iter().map(|(_, a)| a.port()).collect();
    let _serving = tokio::spawn(listening.serve());
    for (port, said) in [
        (ports[0], ":VOLT 5\n:OUTP ON\n:OUTP?\n"),
        (ports[3], ":ROUT:CLOS (@101,111)\n:ROUT:CLOS? (@101)\n"),
    ] {
        let mut left = BufReader::new(TcpStream::connect(("127.0.0.1", port)).await.unwrap());
        left.write_all(said.as_bytes()).await.unwrap();
        let mut answer = String::new();
        left.read_line(&mut answer).await.unwrap();
        assert_eq!(answer.trim(), "1");
    }
    tokio::time::sleep(std::time::Duration::from_millis(30)).await;
    let look = || {
        let mut bench = bench.lock().unwrap();
        bench.catch_up();
        (
            (bench.output_volts() * 100.0).round(),
            bench.closed_channels(),
        )
    };
    let before = look();
    assert_eq!((before.0, before.1.len()), (500.0, 2));
    let (supply, board) = (
        serve(&bench, Language::Plain),
        serve(&bench, Language::FourByte),
    );
    let named = |port: &Port| format!("ASRL{}::INSTR", port.path.display());
    let (on_supply, on_board) = (named(&supply), named(&board));
    let (found, silent) = tokio::join!(
        ask_identity(&on_supply, None),
        ask_identity(&on_board, None)
    );
    assert!(
        dialects(&found).contains(&"plain-ascii-supply"),
        "{found:?}"
    );
    assert!(matches!(silent, Answer::Silent(_)), "{silent:?}");
    assert_eq!(look(), before);
}

#[tokio::test]
async fn a_port_that_another_program_holds_is_said_to_be_held() {
    let bench = bench();
    let port = serve(&bench, Language::Plain);
    let held = std::process::Command::new("flock")
        .args(["--exclusive", port.path.to_str().unwrap(), "cat"])
        .stdin(std::process::Stdio::piped())
        .spawn();
    let mut held = held.unwrap();
    let place = format!("ASRL{}::INSTR", port.path.display());
    // Until the other program has it.
    let answer = loop {
        match ask_identity(&place, None).await {
            Answer::Identity(..) => {}
            other => break other,
        }
    };
    drop(held.stdin.take());
    held.wait().unwrap();
    assert!(
        matches!(&answer, Answer::Closed(why) if why.contains("another program holds it")),
        "{answer:?}"
    );
}

/// As nobody, on a port that root alone may open: the message names the group.
#[tokio::test]
async fn without_permission_the_group_is_named() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    let bench = bench();
    let port = serve(&bench, Language::Plain);
    std::fs::set_permissions(&port.path, std::fs::Permissions::from_mode(0o600)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let copy = folder.path().join("needlerig");
    std::fs::copy(program(), &copy).unwrap();
    let mut command = std::process::Command::new(copy);
    command
        .args(["rig", "probe"])
        .arg(&port.path)
        .current_dir("/")
        .uid(65534)
        .gid(65534);
    let done = match command.output() {
        Ok(done) => done,
        // Only root can become nobody.
        Err(error) if error.kind() == std::io::ErrorKind::PermissionDenied => return,
        Err(error) => panic!("{error}"),
    };
    let text = String::from_utf8(done.stdout).unwrap();
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("no permission; join the group"), "{text}");
    assert_eq!(done.status.code(), Some(4));
}
