//! How fast the simulated bench is: time per in-process query, and simulated time per wall time.

use hw_sim::{Bench, find, in_process};
use std::error::Error;
use std::sync::{Arc, Mutex};
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};

async fn ask(stream: &mut DuplexStream, line: &[u8]) -> std::io::Result<usize> {
    stream.write_all(line).await?;
    let mut reply = [0; 256];
    stream.read(&mut reply).await
}

#[tokio::main(flavor = "current_thread", start_paused = true)]
async fn main() -> Result<(), Box<dyn Error>> {
    for name in ["heron", "plover", "bramble", "burdock", "sorrel"] {
        let spec = find(name).ok_or("not in the library")?;
        let bench = Arc::new(Mutex::new(Bench::standard(&spec, 7)));
        let mut wires = in_process(&bench).into_iter().map(|(_, wire)| wire);
        let (Some(mut supply), Some(mut drop), Some(mut shunt), Some(mut switch), Some(mut reader)) = (
            wires.next(),
            wires.next(),
            wires.next(),
            wires.next(),
            wires.next(),
        ) else {
            return Err("five instruments expected".into());
        };
        switch
            .write_all(b":ROUT:CLOS (@101:103,112,141,121:130)\n")
            .await?;
        ask(&mut switch, b"*OPC?\n").await?;
        drop.write_all(b":CONF:VOLT:DC 1\n:VOLT:DC:NPLC 1\n")
            .await?;
        shunt
            .write_all(b":CONF:VOLT:DC 1\n:VOLT:DC:NPLC 1\n")
            .await?;
        supply.write_all(b":OUTP ON\n").await?;
        ask(&mut drop, b"*OPC?\n").await?;

        let (begun, simulated) = (Instant::now(), tokio::time::Instant::now());
        let mut queries = 0_u32;
        for round in 0..3000 {
            if round % 40 == 0 {
                let volts = 0.1 + 0.01 * f64::from(round % 7);
                supply
                    .write_all(format!(":VOLT {volts}\n").as_bytes())
                    .await?;
                ask(&mut supply, b":VOLT?\n").await?;
                queries += 2;
            }
            let (a, b, c) = tokio::join!(
                ask(&mut drop, b":READ?\n"),
                ask(&mut shunt, b":READ?\n"),
                ask(&mut reader, b"LOOK\n")
            );
            queries += [a?, b?, c?].len() as u32;
        }
        let wall = begun.elapsed().as_secs_f64();
        let passed = simulated.elapsed().as_secs_f64();
        println!(
            "{name:9} {:.2} µs per query, {:.0} queries per simulated second, {:.0} simulated s per s",
            wall / f64::from(queries) * 1e6,
            f64::from(queries) / passed,
            passed / wall
        );

        let begun = Instant::now();
        for _ in 0..20_000 {
            ask(&mut supply, b":VOLT?\n").await?;
        }
        println!(
            "          {:.2} µs per :VOLT?",
            begun.elapsed().as_secs_f64() / 20_000.0 * 1e6
        );

        // The bench alone, ahead of the clock: a needle that swings, then one that rests.
        supply.write_all(b":VOLT 4\n").await?;
        ask(&mut supply, b":VOLT?\n").await?;
        let mut bench = bench.lock().map_err(|_| "an instrument panicked")?;
        let mut at = bench.catch_up();
        for state in ["swinging", "resting"] {
            let begun = Instant::now();
            for _ in 0..100 {
                at += 20_000_000;
                bench.advance(at);
            }
            println!(
                "          {:.2} µs per 20 ms, {state}",
                begun.elapsed().as_secs_f64() * 1e4
            );
            at += 200_000_000_000;
            bench.advance(at);
        }
    }
    Ok(())
}
