//! Cameras that answer, stall, repeat themselves, break off or send something else.

#![allow(clippy::unwrap_used, reason = "helpers of tests may fail the test")]

use jpeg_encoder::{ColorType, Encoder};
use needle::camera::{Camera, CameraError, FileCamera, Lens, StillCamera, StreamCamera};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::time::{Duration, Instant};

/// Longer than anything takes that is to succeed.
const AMPLE: Duration = Duration::from_secs(20);
/// Long enough to see that nothing comes.
const SHORT: Duration = Duration::from_millis(150);

/// A picture in this grey.
fn jpeg(grey: u8) -> Vec<u8> {
    let mut bytes = Vec::new();
    Encoder::new(&mut bytes, 90)
        .encode(&vec![grey; 80 * 70], 80, 70, ColorType::Luma)
        .unwrap();
    bytes
}

/// A server that does `each` with every connection, in turn; its address.
fn server(mut each: impl FnMut(usize, &mut TcpStream) + Send + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        for (number, client) in listener.incoming().enumerate() {
            let mut client = client.unwrap();
            let mut head = BufReader::new(client.try_clone().unwrap());
            let mut line = String::new();
            while head.read_line(&mut line).is_ok_and(|read| read > 2) {
                line.clear();
            }
            each(number, &mut client);
        }
    });
    format!("http://{address}/picture")
}

/// Whether a client goes away is its own affair.
fn send(client: &mut TcpStream, bytes: &[u8]) {
    let _ = client.write_all(bytes);
}

fn answer(client: &mut TcpStream, status: &str, kind: &str, length: usize, body: &[u8]) {
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {length}\r\n\
         Connection: close\r\n\r\n"
    );
    send(client, head.as_bytes());
    send(client, body);
}

fn ok(client: &mut TcpStream, body: &[u8]) {
    answer(client, "200 OK", "image/jpeg", body.len(), body);
}

/// Holds a connection until the other end closes it.
fn hold(client: &TcpStream) {
    let mut rest = BufReader::new(client.try_clone().unwrap());
    while rest.fill_buf().is_ok_and(|bytes| !bytes.is_empty()) {
        let read = rest.buffer().len();
        rest.consume(read);
    }
}

fn grey(frame: &needle::camera::Frame) -> u8 {
    frame.picture.samples()[0]
}

#[test]
fn a_still_camera_gives_picture_after_picture() {
    let address = server(|number, client| ok(client, &jpeg(100 + 10 * number as u8)));
    let mut camera = StillCamera::new(&address, AMPLE);
    for number in 0..3u8 {
        let before = Instant::now();
        let frame = camera.frame().unwrap();
        assert!(frame.taken >= before);
        assert!(grey(&frame).abs_diff(100 + 10 * number) <= 1);
    }
}

#[test]
fn a_still_camera_that_repeats_its_picture_is_found_out() {
    let address = server(|_, client| ok(client, &jpeg(100)));
    let mut camera = StillCamera::new(&address, SHORT);
    camera.frame().unwrap();
    let error = camera.frame().unwrap_err();
    assert!(matches!(error, CameraError::Repeated { .. }), "{error}");
}

#[test]
fn a_still_camera_is_asked_again_until_its_picture_is_new() {
    let address = server(|number, client| ok(client, &jpeg(if number < 5 { 100 } else { 150 })));
    let mut camera = StillCamera::new(&address, AMPLE);
    camera.frame().unwrap();
    assert!(grey(&camera.frame().unwrap()).abs_diff(150) <= 1);
}

#[test]
fn answers_that_are_no_picture_are_errors() {
    type Each = fn(&mut TcpStream);
    let cases: [(&str, Each); 6] = [
        ("404", |client| {
            answer(client, "404 Not Found", "text/plain", 2, b"no")
        }),
        ("302", |client| {
            send(
                client,
                b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1:1/\r\n\r\n",
            );
        }),
        ("neither JPEG nor PNG", |client| {
            ok(client, b"<html>no camera here</html>")
        }),
        ("", |client| {
            let whole = jpeg(90);
            let length = whole.len();
            answer(client, "200 OK", "image/jpeg", length, &whole[..length / 2]);
        }),
        ("", |client| send(client, b"no HTTP at all\r\n\r\n")),
        ("bytes", |client| {
            answer(client, "200 OK", "image/jpeg", 1 << 30, &vec![0; 18 << 20]);
        }),
    ];
    for (part, each) in cases {
        let address = server(move |_, client| each(client));
        let error = StillCamera::new(&address, AMPLE).frame().unwrap_err();
        assert!(error.to_string().contains(part), "\"{part}\": {error}");
    }
}

#[test]
fn a_camera_that_says_nothing_is_late_and_one_that_is_not_there_unreachable() {
    let address = server(|_, client| hold(client));
    let error = StillCamera::new(&address, SHORT).frame().unwrap_err();
    assert!(matches!(error, CameraError::Late { .. }), "{error}");
    let error = StreamCamera::new(&address, SHORT)
        .unwrap()
        .frame()
        .unwrap_err();
    assert!(matches!(error, CameraError::Late { .. }), "{error}");
    let free = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let error = StillCamera::new(&format!("http://{free}/"), AMPLE)
        .frame()
        .unwrap_err();
    assert!(matches!(error, CameraError::Unreachable { .. }), "{error}");
}

const STREAM: &[u8] = b"HTTP/1.1 200 OK\r\n\
    Content-Type: multipart/x-mixed-replace; boundary=\"--cut here\"\r\n\r\n";

/// One part, with or without its length.
fn part(picture: &[u8], stated: bool) -> Vec<u8> {
    let mut bytes = b"--cut here\r\nContent-Type: image/jpeg\r\n".to_vec();
    if stated {
        bytes.extend_from_slice(format!("Content-Length: {}\r\n", picture.len()).as_bytes());
    }
    bytes.extend_from_slice(b"\r\n");
    bytes.extend_from_slice(picture);
    bytes.extend_from_slice(b"\r\n");
    bytes
}

/// Sends pictures of these greys, one each time that it is told to.
fn paced(greys: &'static [u8], stated: bool) -> (String, std::sync::mpsc::Sender<()>) {
    let (go, told) = std::sync::mpsc::channel();
    let address = server(move |_, client| {
        send(client, STREAM);
        for grey in greys {
            if told.recv().is_err() {
                return;
            }
            send(client, &part(&jpeg(*grey), stated));
            if !stated {
                // Without a length, a part ends where the next begins.
                send(client, b"--cut here\r\n");
            }
        }
        hold(client);
    });
    (address, go)
}

#[test]
fn a_stream_gives_its_newest_picture() {
    for stated in [true, false] {
        let address = server(move |_, client| {
            send(client, STREAM);
            for grey in (60..=200).cycle() {
                let bytes = part(&jpeg(grey), stated);
                if client.write_all(&bytes).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(2));
            }
        });
        let mut camera = StreamCamera::new(&address, AMPLE).unwrap();
        for _ in 0..5 {
            let before = Instant::now();
            let frame = camera.frame().unwrap();
            assert!(frame.taken >= before);
        }
    }
}

#[test]
fn a_stream_that_stands_still_or_repeats_itself_is_found_out() {
    let (address, go) = paced(&[80], true);
    go.send(()).unwrap();
    let mut camera = StreamCamera::new(&address, SHORT).unwrap();
    // The one picture may have come before the first call, which then waits in vain.
    let _ = camera.frame();
    let error = camera.frame().unwrap_err();
    // Its own patience and the connection's are equally long: either may end first.
    let late = matches!(error, CameraError::Late { .. });
    assert!(late || error.to_string().contains("timeout"), "{error}");

    let address = server(|_, client| {
        send(client, STREAM);
        while client.write_all(&part(&jpeg(80), true)).is_ok() {
            std::thread::sleep(Duration::from_millis(2));
        }
    });
    let mut camera = StreamCamera::new(&address, SHORT).unwrap();
    let mut errors = (0..3).filter_map(|_| camera.frame().err());
    let last = errors.by_ref().last();
    assert!(
        matches!(last, Some(CameraError::Repeated { .. })),
        "{last:?}"
    );
}

#[test]
fn a_stream_that_broke_off_is_taken_up_again() {
    let address = server(|number, client| {
        send(client, STREAM);
        let half = part(&jpeg(80), true);
        if number == 0 {
            send(client, &half[..half.len() / 2]);
            return;
        }
        for grey in (60..=200).cycle() {
            if client.write_all(&part(&jpeg(grey), true)).is_err() {
                return;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    });
    StreamCamera::new(&address, AMPLE).unwrap().frame().unwrap();
}

#[test]
fn a_stream_that_is_none_says_so() {
    let address = server(|_, client| ok(client, &jpeg(80)));
    let mut camera = StreamCamera::new(&address, Duration::from_millis(600)).unwrap();
    let error = camera.frame().unwrap_err();
    assert!(error.to_string().contains("image/jpeg"), "{error}");
}

#[test]
fn a_file_counts_once_each_time_that_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("dial.jpg");
    let mut camera = FileCamera::new(&path, SHORT);
    let error = camera.frame().unwrap_err();
    assert!(matches!(error, CameraError::Unreachable { .. }), "{error}");
    std::fs::write(&path, jpeg(70)).unwrap();
    assert!(grey(&camera.frame().unwrap()).abs_diff(70) <= 1);
    let error = camera.frame().unwrap_err();
    assert!(matches!(error, CameraError::Repeated { .. }), "{error}");
    let whole = jpeg(140);
    std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    let error = camera.frame().unwrap_err();
    assert!(matches!(error, CameraError::Damaged(_)), "{error}");
    std::fs::write(&path, &whole).unwrap();
    assert!(grey(&camera.frame().unwrap()).abs_diff(140) <= 1);
    let old = std::time::SystemTime::now() - Duration::from_secs(100);
    std::fs::write(&path, jpeg(30)).unwrap();
    let file = std::fs::File::options().append(true).open(&path).unwrap();
    file.set_modified(old).unwrap();
    assert!(camera.frame().unwrap().taken.elapsed() >= Duration::from_secs(99));
    assert!(FileCamera::new(folder.path(), SHORT).frame().is_err());
}

/// A camera that waits until it is told to go on.
struct Slow(std::sync::mpsc::Receiver<()>, StillCamera);

impl Camera for Slow {
    fn frame(&mut self) -> Result<needle::camera::Frame, CameraError> {
        self.0.recv().map_err(|_| CameraError::Ended)?;
        self.1.frame()
    }

    fn name(&self) -> String {
        "slow".to_owned()
    }
}

#[test]
fn a_lens_gives_frames_gives_up_waiting_and_goes_on() {
    let address = server(|number, client| ok(client, &jpeg(100 + 10 * number as u8)));
    let (go, told) = std::sync::mpsc::channel();
    let slow = Slow(told, StillCamera::new(&address, AMPLE));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let mut lens = Lens::new(Box::new(slow), SHORT).unwrap();
        let error = lens.frame().await.unwrap_err();
        assert!(matches!(error, CameraError::Late { .. }), "{error}");
        // One for the look that was given up, one for the next: that gets a picture of its own.
        go.send(()).unwrap();
        go.send(()).unwrap();
        let mut frame = lens.frame().await;
        for _ in 0..50 {
            if frame.is_ok() {
                break;
            }
            let _ = go.send(());
            frame = lens.frame().await;
        }
        assert!(grey(&frame.unwrap()) > 105);
        drop(go);
        let error = lens.frame().await.unwrap_err();
        assert!(matches!(error, CameraError::Ended), "{error}");
    });
}
