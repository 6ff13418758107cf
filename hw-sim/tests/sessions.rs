//! Sessions with the instruments, as a client sees them.

use hw_sim::{Bench, SharedBench, find, in_process, tcp};
use std::collections::BTreeMap;
use std::io::{Error, Result};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::time::{Instant, timeout};

fn bench(name: &str, seed: u64) -> Result<SharedBench> {
    let spec = find(name).ok_or_else(|| Error::other("not in the library"))?;
    Ok(Arc::new(Mutex::new(Bench::standard(&spec, seed))))
}

/// One end of a wire.
struct Wire<S>(BufReader<S>);

impl<S: AsyncRead + AsyncWrite + Unpin> Wire<S> {
    async fn send(&mut self, line: &str) -> Result<()> {
        self.0.write_all(line.as_bytes()).await?;
        self.0.write_all(b"\n").await
    }

    async fn ask(&mut self, line: &str) -> Result<String> {
        self.send(line).await?;
        let mut reply = String::new();
        // Under the paused clock this passes at once when no answer will ever come.
        timeout(Duration::from_secs(600), self.0.read_line(&mut reply)).await??;
        assert!(reply.ends_with('\n'), "{line} answered by {reply:?}");
        reply.pop();
        Ok(reply)
    }

    async fn number(&mut self, line: &str) -> Result<f64> {
        self.ask(line).await?.parse().map_err(Error::other)
    }
}

type Wires = BTreeMap<&'static str, Wire<tokio::io::DuplexStream>>;

fn wires(bench: &SharedBench) -> Wires {
    in_process(bench)
        .into_iter()
        .map(|(name, wire)| (name, Wire(BufReader::new(wire))))
        .collect()
}

fn wire<'a>(wires: &'a mut Wires, name: &str) -> Result<&'a mut Wire<tokio::io::DuplexStream>> {
    wires
        .get_mut(name)
        .ok_or_else(|| Error::other("no such instrument"))
}

#[tokio::test(start_paused = true)]
async fn everybody_says_who_they_are() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let mut seen = Vec::new();
    for name in ["supply", "drop", "loop", "switch"] {
        let identity = wire(&mut wires, name)?.ask("*IDN?").await?;
        assert_eq!(identity.split(',').count(), 4, "{identity}");
        assert!(!seen.contains(&identity));
        seen.push(identity);
        assert_eq!(wire(&mut wires, name)?.ask("*OPC?").await?, "1");
        assert_eq!(
            wire(&mut wires, name)?.ask(":SYST:ERR?").await?,
            "0,\"No error\""
        );
    }
    assert!(
        wire(&mut wires, "reader")?
            .ask("WHO")
            .await?
            .starts_with("READER ")
    );
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn errors_are_queued_and_lines_always_end() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let supply = wire(&mut wires, "supply")?;
    supply.send(":BOGUS 1").await?;
    supply.send(":VOLT 9.5").await?;
    supply.send(":VOLT 1,5").await?;
    supply.send(":VOLT").await?;
    assert_eq!(supply.ask("*STB?").await?, "36");
    for code in ["-113", "-222", "-108", "-109", "0"] {
        let error = supply.ask("SYSTem:ERRor?").await?;
        assert!(error.starts_with(&format!("{code},")), "{error}");
    }
    assert_eq!(
        supply.number(":VOLT?").await?,
        0.0,
        "a refused setting changes nothing"
    );
    assert_eq!(supply.ask("*ESR?").await?, "176");
    assert_eq!(supply.ask("*ESR?").await?, "0");
    // A line that fails half-way still ends what it has answered.
    assert_eq!(supply.ask(":VOLT?;:NONSENSE?").await?, "+0.00000000E+00");
    supply.send("*CLS").await?;
    assert_eq!(supply.ask(":SYST:ERR?").await?, "0,\"No error\"");
    supply.send(&"x".repeat(10_000)).await?;
    assert!(supply.ask(":SYST:ERR?").await?.starts_with("-363,"));
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn supply_settings_read_back() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let supply = wire(&mut wires, "supply")?;
    for (set, ask, value) in [
        (":VOLT 1.23456", ":VOLT?", 1.2346),
        (":CURR 0.01", ":CURR?", 0.01),
        (":VOLT:PROT 3", ":VOLT:PROT?", 3.0),
        (":VOLT:PROT:STAT ON", ":VOLT:PROT:STAT?", 1.0),
        (":OUTP ON", ":OUTP?", 1.0),
        (":OUTP OFF", ":OUTP?", 0.0),
    ] {
        supply.send(set).await?;
        assert!((supply.number(ask).await? - value).abs() < 1e-12, "{set}");
    }
    supply.send(":OUTP ON").await?;
    tokio::time::sleep(Duration::from_millis(30)).await;
    assert!((supply.number(":MEAS:VOLT?").await? - 1.2346).abs() < 6e-3);
    assert!(supply.number(":MEAS:CURR?").await?.abs() < 2e-3);
    supply.send(":VOLT 4").await?;
    tokio::time::sleep(Duration::from_millis(30)).await;
    assert_eq!(supply.ask(":VOLT:PROT:TRIP?").await?, "1");
    assert_eq!(supply.ask(":OUTP?").await?, "0");
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn meter_settings_and_timing() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let meter = wire(&mut wires, "drop")?;
    assert!(meter.ask("*ESR?").await?.parse::<u8>().is_ok());
    meter.send(":FETC?").await?;
    assert!(meter.ask(":SYST:ERR?").await?.starts_with("-230,"));
    meter.send(":CONF:VOLT:DC 1").await?;
    meter.send(":VOLT:DC:IMP:AUTO ON").await?;
    meter.send(":VOLT:DC:NPLC 10").await?;
    meter.send(":TRIG:SOUR IMM").await?;
    assert_eq!(meter.ask(":VOLT:DC:IMP:AUTO?").await?, "1");
    assert_eq!(meter.number(":VOLT:DC:RANG?").await?, 1.0);
    assert_eq!(meter.number(":VOLT:DC:NPLC?").await?, 10.0);
    assert_eq!(meter.ask(":CONF?").await?, "\"VOLT +1.00000000E+00\"");
    for (auto_zero, expected) in [("ON", 401), ("OFF", 201)] {
        meter
            .send(&format!(":VOLT:DC:ZERO:AUTO {auto_zero}"))
            .await?;
        meter.ask("*OPC?").await?;
        let begun = Instant::now();
        meter.number(":READ?").await?;
        let took = begun.elapsed().as_millis();
        assert!((expected..expected + 3).contains(&took), "{took} ms");
    }
    let first = meter.number(":READ?").await?;
    assert_eq!(
        meter.number(":FETC?").await?,
        first,
        "memory keeps the last reading"
    );
    meter.send(":SAMP:COUN 3").await?;
    assert_eq!(meter.ask(":READ?").await?.split(',').count(), 3);
    meter.send(":INIT").await?;
    assert_eq!(meter.ask(":FETC?").await?.split(',').count(), 3);
    meter.send(":CONF:VOLT:DC 0.1").await?;
    assert_eq!(
        meter.ask(":VOLT:DC:IMP:AUTO?").await?,
        "0",
        "CONF puts the input back to 10 MΩ"
    );
    meter.send(":CONF:VOLT:DC 1000").await?;
    assert!(meter.ask(":SYST:ERR?").await?.starts_with("-222,"));
    meter.send(":CONF:FRES 100").await?;
    assert_eq!(meter.ask(":CONF?").await?, "\"FRES +1.00000000E+02\"");
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn switch_lists_and_barrier() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let switch = wire(&mut wires, "switch")?;
    let begun = Instant::now();
    switch.send(":ROUT:CLOS (@101,111:113,172)").await?;
    switch.ask("*OPC?").await?;
    let settled = begun.elapsed().as_millis();
    assert!(
        (10..14).contains(&settled),
        "the barrier waits for the slowest contact: {settled} ms"
    );
    assert_eq!(
        switch.ask(":ROUT:CLOS? (@101:105,111,172)").await?,
        "1,0,0,0,0,1,1"
    );
    switch
        .send(":ROUT:OPEN (@101:105,111:116,121:130,141:147,161:172)")
        .await?;
    assert_eq!(switch.ask(":ROUT:CLOS? (@101,172)").await?, "0,0");
    for (line, code) in [
        (":ROUT:CLOS (@101,999)", "-224"),
        (":ROUT:CLOS (@101:9999999999)", "-"),
        (":ROUT:CLOS (@", "-"),
        (":ROUT:CLOS 101", "-104"),
        (":ROUT:CLOS", "-109"),
    ] {
        switch.send(line).await?;
        let error = switch.ask(":SYST:ERR?").await?;
        assert!(error.starts_with(code), "{line}: {error}");
    }
    assert_eq!(
        switch.ask(":ROUT:CLOS? (@101)").await?,
        "0",
        "a bad list is done not even partly"
    );
    Ok(())
}

/// One measurement, everything that was said in it.
async fn session(seed: u64) -> Result<(String, String)> {
    let bench = bench("burdock", seed)?;
    let mut wires = wires(&bench);
    wire(&mut wires, "switch")?
        .send(":ROUT:CLOS (@101:103,111,141,124:130)")
        .await?;
    wire(&mut wires, "switch")?.ask("*OPC?").await?;
    wire(&mut wires, "drop")?.send(":CONF:VOLT:DC 0.1").await?;
    wire(&mut wires, "drop")?.send(":VOLT:DC:NPLC 1").await?;
    wire(&mut wires, "supply")?.send(":VOLT 6").await?;
    wire(&mut wires, "supply")?.send(":OUTP ON").await?;
    let mut said = String::new();
    for _ in 0..30 {
        said += &wire(&mut wires, "drop")?.ask(":READ?").await?;
        said += &wire(&mut wires, "reader")?.ask("LOOK").await?;
        said += &wire(&mut wires, "supply")?.ask(":MEAS:CURR?").await?;
    }
    let truth = bench.lock().map_err(|_| Error::other("poisoned"))?.truth();
    Ok((said, format!("{truth:?}")))
}

#[test]
fn same_seed_same_bytes() -> Result<()> {
    let run = |seed| {
        tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .start_paused(true)
            .build()?
            .block_on(session(seed))
    };
    let first = run(5)?;
    std::thread::sleep(Duration::from_millis(3));
    assert_eq!(first, run(5)?);
    assert_ne!(first, run(6)?);
    assert!(first.0.contains("SEEN 0.0"));
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn ohms_on_the_wire_slams_the_needle() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let meter = wire(&mut wires, "drop")?;
    meter.send(":CONF:RES 1000").await?;
    let ohms = meter.number(":READ?").await?;
    assert_eq!(ohms, 9.9e37, "2 kΩ overload the 1 kΩ range");
    let look = wire(&mut wires, "reader")?.ask("LOOK").await?;
    let shown: f64 = look
        .split(' ')
        .nth(1)
        .ok_or_else(|| Error::other("unseen"))?
        .parse()
        .map_err(Error::other)?;
    assert!(shown > 1.0, "{look}");
    assert!(
        bench
            .lock()
            .map_err(|_| Error::other("poisoned"))?
            .truth()
            .driven_stop_hits
            >= 1
    );
    Ok(())
}

#[tokio::test(start_paused = true)]
async fn no_input_stops_an_instrument() -> Result<()> {
    let bench = bench("heron", 1)?;
    let mut wires = wires(&bench);
    let pieces = [
        ":",
        ";",
        "?",
        "*",
        "*IDN",
        "VOLT",
        ":ROUT:CLOS",
        "(@",
        "101",
        ")",
        "1e999",
        "-",
        "\"",
        "'",
        "#H",
        "#1",
        "#",
        "MAX",
        "NAN",
        "INF",
        ",",
        " ",
        "\t",
        "\u{7f}",
        "é",
        ":READ",
        ":CONF:VOLT:DC",
        "!",
        "LOOK",
        "1V",
        "(",
        "ON",
        ":SAMP:COUN",
        ":FETC",
        "@",
        ":INIT",
        "1.5",
        ".",
        "E",
        "#B2",
    ];
    let mut state = 12_345_u64;
    let mut pick = |n: usize| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % n
    };
    for name in ["supply", "drop", "switch", "loop", "reader"] {
        let wire = wire(&mut wires, name)?;
        let identity = wire
            .ask(if name == "reader" { "WHO" } else { "*IDN?" })
            .await?
            + "\n";
        for _ in 0..3000 {
            let length = 1 + pick(7);
            let line: String = (0..length).map(|_| pieces[pick(pieces.len())]).collect();
            wire.send(&line).await?;
            let question = if name == "reader" { "WHO" } else { "*IDN?" };
            wire.send(question).await?;
            let mut reply = String::new();
            loop {
                reply.clear();
                let read = timeout(Duration::from_secs(100_000), wire.0.read_line(&mut reply));
                assert!(read.await?? > 0, "{name} hung up after {line:?}");
                if reply == identity {
                    break;
                }
            }
        }
    }
    Ok(())
}

#[tokio::test]
async fn several_tcp_clients_in_real_time() -> Result<()> {
    let bench = bench("heron", 1)?;
    let listening = tcp(&bench, 0).await?;
    let addresses: BTreeMap<_, _> = listening.addresses.iter().copied().collect();
    assert_eq!(addresses.len(), 5);
    assert!(addresses.values().all(|address| address.ip().is_loopback()));
    let connect = async |name: &str| -> Result<_> {
        let stream = tokio::net::TcpStream::connect(addresses[name]).await?;
        stream.set_nodelay(true)?;
        Ok(Wire(BufReader::new(stream)))
    };
    let (mut first, mut second) = (connect("drop").await?, connect("drop").await?);
    first.send(":CONF:VOLT:DC 0.1").await?;
    first.send(":VOLT:DC:NPLC 1").await?;
    first.ask("*OPC?").await?;
    let (reading, identity) = tokio::join!(first.number(":READ?"), second.ask("*IDN?"));
    assert!(reading?.abs() < 1e-3);
    assert!(identity?.contains(','));
    drop(first);
    let mut third = connect("drop").await?;
    assert_eq!(
        third.number(":VOLT:DC:NPLC?").await?,
        1.0,
        "settings outlive a client"
    );
    let mut reader = connect("reader").await?;
    assert!(reader.ask("LOOK").await?.contains(' '));
    Ok(())
}

#[tokio::test]
async fn a_taken_port_is_an_error() -> Result<()> {
    let bench = bench("heron", 1)?;
    let listening = tcp(&bench, 0).await?;
    let taken = listening.addresses[0].1.port();
    assert!(tcp(&bench, taken).await.is_err());
    Ok(())
}
