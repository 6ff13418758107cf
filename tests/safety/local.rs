//! Front panels: given back as the last thing that is said, however a run ends.

use super::scene::{Stage, paused};
use guard::Rig;
use needlerig::session::PICTURELESS_RIG;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};

const LOCAL: &str = ":SYST:LOC\n";

/// A wire on which all that the program says is kept.
fn overheard(wire: DuplexStream, said: Arc<Mutex<String>>) -> DuplexStream {
    let (client, server) = tokio::io::duplex(4096);
    let (mut asked, mut answers) = tokio::io::split(server);
    let (mut answered, mut questions) = tokio::io::split(wire);
    tokio::spawn(async move { tokio::io::copy(&mut answered, &mut answers).await });
    tokio::spawn(async move {
        let mut bytes = [0; 1024];
        while let Ok(count @ 1..) = asked.read(&mut bytes).await {
            let text = String::from_utf8_lossy(&bytes[..count]);
            said.lock().unwrap().push_str(&text);
            questions.write_all(&bytes[..count]).await.unwrap();
        }
    });
    client
}

/// Runs to an end of this kind and gives what supply and both meters were told.
fn told(end: &'static str) -> Vec<String> {
    paused(async move {
        let mut stage = Stage::new("heron");
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("dialects")).unwrap();
        let mut rig = PICTURELESS_RIG.clone();
        for name in ["simulated-supply", "scpi-meter"] {
            let built_in = format!(
                "{}/../rigs/dialects/{name}.toml",
                env!("CARGO_MANIFEST_DIR")
            );
            let text = std::fs::read_to_string(built_in).unwrap();
            let text = text.replace("[common]\n", "[common]\ngoodbye = [\":SYST:LOC\"]\n");
            let file = folder.path().join(format!("dialects/{name}-local.toml"));
            std::fs::write(file, text).unwrap();
            rig = rig.replace(&format!("\"{name}\""), &format!("\"{name}-local\""));
        }
        let file = folder.path().join("rig.toml");
        stage.rig = Arc::new(Rig::parse(&rig, file.to_str().unwrap()).unwrap());
        let mut said = Vec::new();
        for name in ["supply", "drop", "loop"] {
            let heard = Arc::<Mutex<String>>::default();
            let wire = stage.wires.remove(name).unwrap();
            stage
                .wires
                .insert(name.to_owned(), overheard(wire, Arc::clone(&heard)));
            said.push(heard);
        }
        if let Some(missing) = end.strip_prefix("no ") {
            stage.wires.remove(missing).unwrap();
        }
        let journal = Box::new(stage.tap.clone());
        match stage.guard(journal).await {
            Ok(guard) => {
                if end == "stopped" {
                    stage.asks.send_replace(true);
                    tokio::task::yield_now().await;
                }
                let ending = guard.end().await.unwrap();
                assert_eq!(ending.fault.is_some(), end == "stopped");
            }
            Err(fault) => assert!(end.starts_with("no "), "{fault}"),
        }
        tokio::time::sleep(std::time::Duration::from_secs(1)).await;
        let text = |heard: &Arc<Mutex<String>>| heard.lock().unwrap().clone();
        said.iter().map(text).collect()
    })
}

#[test]
fn front_panels_are_given_back_however_a_run_ends() {
    // How many were spoken to before the end: first the supply, then, with the rig safe, the meters.
    for (end, reached) in [
        ("orderly", 3),
        ("stopped", 3),
        ("no switch", 1),
        ("no loop", 2),
    ] {
        let told = told(end);
        let (spoken_to, others) = told.split_at(reached);
        for told in spoken_to {
            assert!(told.ends_with(LOCAL), "{end}: {told}");
            assert_eq!(told.matches(LOCAL).count(), 1, "{end}: {told}");
        }
        assert!(others.iter().all(String::is_empty), "{end}: {others:?}");
    }
}
