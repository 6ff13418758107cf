//! Programs that nobody here wrote: PyVISA drives the simulated instruments, PyModbus and PyVISA-sim
//! face the drivers. `cargo xtask peers` installs them; without them these tests fail.

use super::{bench, dialect};
use drivers::{DriverError, Link, Supply, Switch};
use hw_sim::{Language, Line, Outlet, Port};
use quantity::{Amps, Volts};
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tokio::task::spawn_blocking;

/// A script of `tests/peers` under the Python that has the peers.
fn peer(script: &str, arguments: &[String]) -> Command {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..");
    let python = root.join("target/peers/bin/python");
    assert!(
        python.exists(),
        "the peers are missing; run: cargo xtask peers"
    );
    let mut command = Command::new(python);
    command
        .current_dir(root.join("tests/peers"))
        .arg(script)
        .args(arguments)
        .stdin(Stdio::null());
    command
}

/// A server that ends with its test.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended already; there is nobody to tell either way.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts a server and gives the first line that it prints.
fn served(script: &str, arguments: &[String]) -> (Server, String) {
    let child = peer(script, arguments)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut server = Server(child);
    let mut first = String::new();
    let told = server.0.stdout.take().unwrap();
    BufReader::new(told).read_line(&mut first).unwrap();
    (server, first.trim().to_owned())
}

#[tokio::test]
async fn an_independent_client_understands_the_simulated_instruments() {
    let bench = bench();
    let listening = hw_sim::tcp(&bench, 0).await.unwrap();
    let mut arguments: Vec<String> = listening.addresses[..2]
        .iter()
        .map(|(_, address)| address.port().to_string())
        .collect();
    let _tcp = tokio::spawn(listening.serve());
    for language in [Language::Suffix, Language::Digits, Language::Plain] {
        let outlet = Outlet::new(&bench, language, Line::of(language));
        let port = Port::serve(outlet).unwrap();
        arguments.push(port.path.display().to_string());
        tokio::spawn(port.run());
    }
    let mut client = peer("clients.py", &arguments);
    let output = spawn_blocking(move || client.output())
        .await
        .unwrap()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    assert_eq!(output.stdout, b"all as expected\n", "{told}");
}

#[tokio::test]
async fn an_independent_modbus_server_understands_the_driver() {
    let [ours, theirs] = Port::cable().unwrap();
    let (_server, first) = served("coils.py", &[theirs.display().to_string()]);
    assert_eq!(first, "ready");
    let mut dialect = dialect("modbus-switch");
    // It says so before it listens, and the first question may come too early.
    dialect.wire.deadline = Duration::from_secs(5);
    let link = Link::serial(ours.to_str().unwrap(), &dialect.wire)
        .await
        .unwrap();
    let mut board = Switch::open(link, &dialect).await.unwrap();
    let all: Vec<u32> = (1..=16).collect();
    assert_eq!(board.energised(&all).await.unwrap(), [false; 16]);
    // One coil (05), and a run of them (0F) that ends within a byte.
    board.energise(&[2]).await.unwrap();
    board.energise(&[5, 6, 7, 8, 9, 10, 11]).await.unwrap();
    board.release(&[7]).await.unwrap();
    let on = [2, 5, 6, 8, 9, 10, 11];
    let wanted: Vec<bool> = all.iter().map(|channel| on.contains(channel)).collect();
    assert_eq!(board.energised(&all).await.unwrap(), wanted);
    let error = board.energise(&[999]).await.unwrap_err().to_string();
    assert!(error.contains("exception 02"), "{error}");
    board.release_now(&all).await.unwrap();
    assert_eq!(board.energised(&all).await.unwrap(), [false; 16]);
}

#[tokio::test]
async fn an_independent_supply_understands_the_driver() {
    let (_server, port) = served("served.py", &["supply.yaml".to_owned()]);
    let dialect = dialect("simulated-supply");
    let link = Link::tcp("127.0.0.1", port.parse().unwrap(), &dialect.wire);
    let mut supply = Supply::open(link.await.unwrap(), &dialect).await.unwrap();
    assert_eq!(supply.identity(), "PEER,SUPPLY,0,1.0");
    supply.set_voltage(Volts::new(1.25)).await.unwrap();
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::new(1.25));
    supply.set_current_limit(Amps::new(0.5)).await.unwrap();
    supply.output(true).await.unwrap();
    assert!(supply.output_state().await.unwrap());
    // More than it takes: it says "ERROR" unasked, which is never taken for an answer, and then the
    // read-back tells that the setting was refused.
    supply.set_current_limit(Amps::new(9.0)).await.unwrap();
    match supply.current_limit().await {
        Ok(found) => assert_eq!(found, Amps::new(0.5)),
        Err(error) => assert!(matches!(error, DriverError::Unexpected { .. }), "{error}"),
    }
    assert_eq!(supply.current_limit().await.unwrap(), Amps::new(0.5));
    supply.off_now().await.unwrap();
    assert!(!supply.output_state().await.unwrap());
    assert_eq!(supply.voltage_set().await.unwrap(), Volts::ZERO);
    // What it has no words for.
    let error = supply.tripped().await.unwrap_err();
    assert!(matches!(error, DriverError::Unexpected { .. }), "{error}");
}
