//! A whole session over in-process streams under virtual time.

use hw_sim::{Bench, find, in_process};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader, DuplexStream};

struct Client(BTreeMap<&'static str, BufReader<DuplexStream>>);

impl Client {
    fn new(bench: &hw_sim::SharedBench) -> Self {
        Client(
            in_process(bench)
                .into_iter()
                .map(|(n, s)| (n, BufReader::new(s)))
                .collect(),
        )
    }
    async fn send(&mut self, name: &str, line: &str) {
        let stream = self.0.get_mut(name).unwrap();
        stream
            .write_all(format!("{line}\n").as_bytes())
            .await
            .unwrap();
    }
    async fn ask(&mut self, name: &str, line: &str) -> String {
        self.send(name, line).await;
        let mut reply = String::new();
        self.0
            .get_mut(name)
            .unwrap()
            .read_line(&mut reply)
            .await
            .unwrap();
        reply.trim_end().to_owned()
    }
}

#[tokio::test(start_paused = true)]
async fn heron_at_half_scale() {
    let bench = Arc::new(Mutex::new(Bench::standard(&find("heron").unwrap(), 7)));
    let mut client = Client::new(&bench);
    for name in ["supply", "drop", "loop", "switch"] {
        println!("{}", client.ask(name, "*IDN?").await);
    }
    println!("{}", client.ask("reader", "WHO").await);
    client
        .send("switch", ":ROUT:CLOS (@101:103,111,141,124:130)")
        .await;
    assert_eq!(client.ask("switch", "*OPC?").await, "1");
    client.send("switch", ":ROUT:OPEN (@123)").await;
    println!(
        "{}",
        client.ask("switch", ":ROUT:CLOS? (@101:105,111)").await
    );
    client.send("drop", ":CONF:VOLT:DC 0.1").await;
    client.send("loop", ":CONF:VOLT:DC 1").await;
    client.send("drop", ":VOLT:DC:IMP:AUTO ON").await;
    client.send("drop", ":VOLT:DC:NPLC 1").await;
    client.send("supply", ":VOLT 4").await;
    client.send("supply", ":OUTP ON").await;
    println!("{}", client.ask("supply", ":VOLT?").await);
    println!("{}", client.ask("supply", ":SYST:ERR?").await);
    for _ in 0..40 {
        println!(
            "{} drop {} loop {}",
            client.ask("reader", "LOOK").await,
            client.ask("drop", ":READ?").await,
            client.ask("loop", ":READ?").await
        );
    }
    println!("{}", client.ask("drop", ":SYST:ERR?").await);
    println!("{:#?}", bench.lock().unwrap().truth());
}
