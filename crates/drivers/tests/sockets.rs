//! Real sockets on the loopback interface.

#![allow(clippy::expect_used)]

use drivers::{Dialect, Link, LinkError, LinkState, Supply, Wire};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::thread::JoinHandle;
use std::time::Duration;

const DEADLINE: Duration = Duration::from_secs(10);

/// Serves one connection on a thread of its own.
fn serve(
    server: impl FnOnce(BufReader<TcpStream>, TcpStream) + Send + 'static,
) -> (u16, JoinHandle<()>) {
    let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let served = std::thread::spawn(move || {
        let (stream, _) = listener.accept().expect("a connection");
        stream.set_nodelay(true).expect("no delay");
        server(
            BufReader::new(stream.try_clone().expect("a second handle")),
            stream,
        );
    });
    (port, served)
}

async fn connect(port: u16) -> Link {
    Link::tcp("127.0.0.1", port, &Wire::lines(DEADLINE))
        .await
        .expect("connected")
}

#[tokio::test]
async fn answers_in_pieces_and_of_whole_segments() {
    let (port, served) = serve(|mut lines, mut out| {
        let mut line = String::new();
        while lines.read_line(&mut line).expect("a line") > 0 {
            let length: usize = line
                .trim()
                .trim_start_matches("LONG? ")
                .parse()
                .expect("a number");
            let reply = "7".repeat(length) + "\r\n";
            let (head, tail) = reply.as_bytes().split_at(length / 3);
            out.write_all(head).expect("written");
            out.write_all(tail).expect("written");
            line.clear();
        }
    });
    let mut link = connect(port).await;
    for length in [1, 2, 1448, 4096, 8192, 20_480, 60_000] {
        let reply = link
            .query(&format!("LONG? {length}"), DEADLINE)
            .await
            .unwrap();
        assert_eq!(reply.len(), length);
    }
    assert_eq!(link.state(), LinkState::Clean);
    drop(link);
    served.join().unwrap();
}

#[tokio::test]
async fn a_closed_end_is_gone_at_once() {
    // node-serialport#115: reading on after the end spins or hangs.
    let (port, served) = serve(|mut lines, out| {
        let mut line = String::new();
        lines.read_line(&mut line).expect("a line");
        drop((lines, out));
    });
    let mut link = connect(port).await;
    let error = link.query("V?", DEADLINE).await.unwrap_err();
    assert!(matches!(error, LinkError::Gone { .. }), "{error}");
    assert_eq!(link.state(), LinkState::Gone);
    served.join().unwrap();
}

#[tokio::test]
async fn a_reset_is_gone_at_once() {
    let (port, served) = serve(|lines, out| {
        // Closing with unread bytes in the buffer resets the connection.
        let mut byte = [0];
        while out.peek(&mut byte).expect("a byte") == 0 {}
        drop((lines, out));
    });
    let mut link = connect(port).await;
    let error = link.query("V?", DEADLINE).await.unwrap_err();
    assert!(matches!(error, LinkError::Gone { .. }), "{error}");
    assert!(error.to_string().contains("TCPIP::127.0.0.1"), "{error}");
    served.join().unwrap();
}

#[tokio::test]
async fn nobody_listens() {
    let port = {
        let listener = TcpListener::bind(("127.0.0.1", 0)).expect("a port");
        listener.local_addr().expect("an address").port()
    };
    let error = Link::tcp("127.0.0.1", port, &Wire::lines(DEADLINE))
        .await
        .unwrap_err();
    assert!(
        error
            .to_string()
            .contains("check that the instrument is on"),
        "{error}"
    );
}

#[tokio::test]
async fn a_supply_on_a_socket() {
    let (port, served) = serve(|lines, mut out| {
        for line in lines.lines() {
            let reply = match line.expect("a line").as_str() {
                "*IDN?" => "ACME,SUPPLY,0,1.0\n",
                ":SYST:ERR?" => "+0,\"No error\"\n",
                ":OUTP?" => "0\n",
                _ => continue,
            };
            out.write_all(reply.as_bytes()).expect("written");
        }
    });
    let dialect = Dialect::built_in("simulated-supply").unwrap();
    let link = Link::tcp("127.0.0.1", port, &dialect.wire)
        .await
        .unwrap()
        .named("supply");
    let mut supply = Supply::open(link, &dialect).await.unwrap();
    assert!(!supply.output_state().await.unwrap());
    supply.off_now().await.unwrap();
    assert!(!supply.output_state().await.unwrap());
    drop(supply);
    served.join().unwrap();
}

/// The words of a supply for which an answer is outstanding and a command was cut in half when
/// another takes it over: off goes out at once, on a line of its own, and the stale answer is not
/// taken for a new one.
#[tokio::test]
async fn a_supply_is_taken_over_on_the_same_connection() {
    let (port, served) = serve(|lines, mut out| {
        let mut heard = Vec::new();
        for line in lines.lines() {
            let line = line.expect("a line");
            let reply = match line.as_str() {
                "*IDN?" => "ACME,SUPPLY,0,1.0\n",
                ":SYST:ERR?" => "+0,\"No error\"\n",
                ":OUTP OFF" => "1\n",
                ":OUTP?" => "0\n",
                _ => "",
            };
            out.write_all(reply.as_bytes()).expect("written");
            heard.push(line);
        }
        let off = heard.iter().position(|line| line == ":OUTP OFF");
        let off = off.expect("the command to switch off, whole");
        assert_eq!(heard[off - 1], ":VOL", "what was cut stays cut");
        assert!(!heard[..off].contains(&"*IDN?".to_owned()), "{heard:?}");
    });
    let dialect = Dialect::built_in("simulated-supply").unwrap();
    let mut link = Link::tcp("127.0.0.1", port, &dialect.wire).await.unwrap();
    let twin = link.take_twin().expect("a second handle");
    assert!(link.take_twin().is_none(), "there is one");
    let mut cut = TcpStream::from(twin.try_clone().unwrap());
    cut.write_all(b":VOL").unwrap();
    drop((link, cut));
    let link = Link::adopt(twin, "supply", &dialect.wire).unwrap();
    let mut supply = Supply::resume(link, &dialect, "ACME,SUPPLY,0,1.0")
        .await
        .unwrap();
    supply.off_now().await.unwrap();
    assert!(!supply.output_state().await.unwrap());
    drop(supply);
    served.join().unwrap();
}
