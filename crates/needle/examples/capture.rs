//! Takes pictures with a V4L2 camera and says what came: `capture /dev/video0 1280 720 20`.

#[cfg(target_os = "linux")]
fn main() -> std::process::ExitCode {
    match capture() {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(error) => {
            println!("{error}");
            std::process::ExitCode::FAILURE
        }
    }
}

#[cfg(target_os = "linux")]
fn capture() -> Result<(), Box<dyn std::error::Error>> {
    use needle::camera::{Camera, FRAME_DEADLINE, V4l2Camera, V4l2Settings};
    use std::time::Instant;

    let words: Vec<String> = std::env::args().skip(1).collect();
    let [device, width, height, count] = words.as_slice() else {
        return Err("usage: capture DEVICE WIDTH HEIGHT COUNT".into());
    };
    let settings = V4l2Settings {
        size: (width.parse()?, height.parse()?),
        exposure: None,
        gain: None,
        focus: None,
        white_balance: None,
        mains: None,
        deadline: FRAME_DEADLINE,
    };
    let mut camera = V4l2Camera::open(device.as_ref(), &settings)?;
    println!(
        "{}; can't be locked: {:?}",
        camera.name(),
        camera.unlocked()
    );
    for number in 0..count.parse::<u32>()? {
        let asked = Instant::now();
        let frame = camera.frame()?;
        let samples = frame.picture.samples();
        let mean =
            samples.iter().map(|value| f64::from(*value)).sum::<f64>() / samples.len() as f64;
        println!(
            "picture {number}: {} × {} × {}, mean {mean:.2}, after {:.0} ms, {:.0} ms old",
            frame.picture.width(),
            frame.picture.height(),
            frame.picture.channels(),
            asked.elapsed().as_secs_f64() * 1e3,
            frame.taken.elapsed().as_secs_f64() * 1e3,
        );
    }
    println!("{count} pictures taken");
    Ok(())
}

#[cfg(not(target_os = "linux"))]
fn main() {
    println!("V4L2 is of Linux only");
}
