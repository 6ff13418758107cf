//! Whatever an instrument sends, the link neither panics nor grows without bound nor makes up an
//! answer.

#![allow(clippy::expect_used, clippy::unwrap_used)]

use drivers::{Dialect, Framing, Link, LinkState, Supply, Wire};
use proptest::prelude::*;
use std::time::Duration;
use tokio::io::AsyncWriteExt;

const DEADLINE: Duration = Duration::from_millis(500);

fn paused() -> tokio::runtime::Runtime {
    let mut runtime = tokio::runtime::Builder::new_current_thread();
    runtime
        .enable_time()
        .start_paused(true)
        .build()
        .expect("a runtime")
}

/// Sends the chunks one after another, then stays silent.
fn noisy(chunks: Vec<(u16, Vec<u8>)>) -> tokio::io::DuplexStream {
    let (ours, mut theirs) = tokio::io::duplex(1 << 12);
    tokio::spawn(async move {
        for (gap, chunk) in chunks {
            tokio::time::sleep(Duration::from_millis(gap.into())).await;
            if theirs.write_all(&chunk).await.is_err() {
                return;
            }
        }
        std::future::pending::<()>().await;
    });
    ours
}

fn chunks() -> impl Strategy<Value = Vec<(u16, Vec<u8>)>> {
    let byte = prop_oneof![Just(b'\n'), Just(b'\r'), Just(b'1'), any::<u8>()];
    prop::collection::vec((0u16..600, prop::collection::vec(byte, 0..300)), 0..8)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn questions(chunks in chunks(), by_pause in any::<bool>()) {
        paused().block_on(async {
            let reply = if by_pause { Framing::Pause } else { Framing::Line };
            let wire = Wire { reply, max_reply: 200, ..Wire::lines(DEADLINE) };
            let mut link = Link::over(Box::new(noisy(chunks)), "dut", &wire);
            for _ in 0..4 {
                match link.query("V?", DEADLINE).await {
                    Ok(reply) => {
                        assert!(!reply.contains('\n') || by_pause);
                        assert_eq!(link.state(), LinkState::Clean);
                    }
                    Err(_) => assert_eq!(link.state(), LinkState::Dirty),
                }
            }
            // Nobody answers to this name.
            assert!(link.resync("*IDN?", "ME").await.is_err());
        });
    }

    #[test]
    fn opening(chunks in chunks()) {
        paused().block_on(async {
            let dialect = Dialect::built_in("simulated-supply").unwrap();
            let link = Link::over(Box::new(noisy(chunks)), "dut", &dialect.wire);
            assert!(Supply::open(link, &dialect).await.is_err());
        });
    }
}
