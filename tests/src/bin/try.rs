//! scratch
use needlerig::session::*;
use std::sync::{Arc, Mutex};
struct Tap(Arc<Mutex<Vec<evidence::Observation>>>);
impl evidence::Journal for Tap {
    fn append(&mut self, o: &evidence::Observation) -> Result<(), evidence::JournalError> {
        self.0.lock().unwrap().push(o.clone());
        Ok(())
    }
}
fn main() {
    let seed: u64 = std::env::args()
        .nth(2)
        .map(|s| s.parse().unwrap())
        .unwrap_or(1);
    let name = std::env::args().nth(1).unwrap();
    let spec = if name == "random" {
        hw_sim::random(seed, hw_sim::Pool::Measurable)
    } else {
        hw_sim::find(&name).unwrap()
    };
    let rig = Arc::new(guard::Rig::parse(SIMULATED_RIG, "simulated.toml").unwrap());
    let (_tx, stop) = tokio::sync::watch::channel(false);
    let obs = Arc::new(Mutex::new(vec![]));
    let t = std::time::Instant::now();
    let mut lastphase = "";
    let r = simulated(
        &Order {
            rig,
            depth: procedure::Depth::Full,
            stop,
        },
        &spec,
        seed,
        true,
        Box::new(Tap(obs.clone())),
        |p| {
            if p.phase != lastphase {
                lastphase = p.phase;
                eprintln!(
                    "{:8.2} {} {:?} {:?} allow {}",
                    p.at.get(),
                    p.phase,
                    p.deflection,
                    p.current,
                    p.allowance
                );
            }
        },
    )
    .unwrap();
    let wall = t.elapsed().as_secs_f64();
    let obs = obs.lock().unwrap();
    for o in obs.iter().filter(|o| o.sightings > 1) {
        println!(
            "{:8.2} {:?} d={:.5} u={:.5} I={:?} drop={:?} unsettled={:.5} V={} {:?}",
            o.at.get(),
            o.purpose,
            o.needle.unwrap().deflection,
            o.needle.unwrap().u,
            o.loop_current().map(|a| a.to_string()),
            o.drop.map(|d| d.value),
            o.unsettled,
            o.set.supply,
            o.set.path
        );
    }
    if let Ok(w) = std::env::var("TICKS") {
        let (a, b) = w.split_once("-").unwrap();
        let (a, b): (f64, f64) = (a.parse().unwrap(), b.parse().unwrap());
        for o in obs.iter().filter(|o| o.at.get() > a && o.at.get() < b) {
            println!(
                "tick {:8.3} d={:?} I={:?} drop={:?} V={}",
                o.at.get(),
                o.needle.map(|n| n.deflection),
                o.loop_current().map(|a| a.to_string()),
                o.drop.map(|d| d.value),
                o.set.supply
            );
        }
    }
    println!(
        "{} observations, {:.1} s simulated, wall {:.3} s => {:.0}x",
        obs.len(),
        r.lasted.get(),
        wall,
        r.lasted.get() / wall
    );
    match r.end {
        Ok(e) => {
            println!("plan {:?}", e.plan);
            match e.ending {
                Ok(x) => println!("phase {:?} fault {:?} safe {:?}", x.phase, x.fault, x.safe),
                Err(f) => println!("lost {f}"),
            }
        }
        Err(f) => println!("fault {f}"),
    }
    println!("{:#?}", r.truth.full_scale_current);
    println!(
        "R {:?} peakd {:.4} low {:.4} hits {} driven {} T {} zo {} zs {} fr {}",
        r.truth.resistance,
        r.truth.peak_deflection,
        r.truth.lowest_deflection,
        r.truth.stop_hits,
        r.truth.driven_stop_hits,
        r.truth.period,
        r.truth.damping_open,
        r.truth.damping_shorted,
        r.truth.friction
    );
}
