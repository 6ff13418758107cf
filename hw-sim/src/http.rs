//! Pictures of the dial over HTTP: `/still.jpg` is one, `/stream.mjpg` a stream without end.

use crate::dial::{DialCamera, NoPicture};
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Mutex;
use tokio::task::JoinSet;

/// Quality of the JPEG pictures.
const QUALITY: u8 = 90;
/// Longest head of a request, bytes.
const LONGEST_HEAD: u64 = 8192;
const BOUNDARY: &str = "picture";

/// Serves pictures until it is dropped.
#[must_use = "dropping it ends the service"]
pub struct ServedCamera {
    /// Where it listens.
    pub address: SocketAddr,
    _tasks: JoinSet<()>,
}

/// Serves the camera's pictures on this port of 127.0.0.1 (0: any free one).
///
/// # Errors
/// The operating system's, when the port cannot be had.
pub async fn camera(camera: DialCamera, port: u16) -> io::Result<ServedCamera> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await?;
    let address = listener.local_addr()?;
    let camera = Arc::new(Mutex::new(camera));
    let mut tasks = JoinSet::new();
    tasks.spawn(async move {
        let mut clients = JoinSet::new();
        loop {
            match listener.accept().await {
                Ok((client, _)) => {
                    while clients.try_join_next().is_some() {}
                    clients.spawn(serve(camera.clone(), client));
                }
                Err(error) => tracing::warn!(%error, "cannot accept a client"),
            }
        }
    });
    Ok(ServedCamera {
        address,
        _tasks: tasks,
    })
}

async fn serve(camera: Arc<Mutex<DialCamera>>, mut client: TcpStream) {
    if let Err(error) = answer(&camera, &mut client).await {
        tracing::debug!(%error, "a client of the camera went away");
    }
}

async fn answer(camera: &Arc<Mutex<DialCamera>>, client: &mut TcpStream) -> io::Result<()> {
    client.set_nodelay(true)?;
    let path = asked(client).await?;
    match path.as_deref() {
        Some("/still.jpg") => match jpeg(camera).await {
            Ok(bytes) => {
                let head = format!(
                    "HTTP/1.1 200 OK\r\nContent-Type: image/jpeg\r\nContent-Length: {}\r\n\
                     Cache-Control: no-store\r\nConnection: close\r\n\r\n",
                    bytes.len()
                );
                client.write_all(head.as_bytes()).await?;
                client.write_all(&bytes).await?;
            }
            Err(error) => refuse(client, "503 Service Unavailable", &error.to_string()).await?,
        },
        Some("/stream.mjpg") => return stream(camera, client).await,
        Some(_) => refuse(client, "404 Not Found", "/still.jpg or /stream.mjpg").await?,
        None => refuse(client, "400 Bad Request", "only GET is understood").await?,
    }
    client.shutdown().await
}

/// The path that a client asks for; none when it asks in another way.
async fn asked(client: &mut TcpStream) -> io::Result<Option<String>> {
    let mut request = BufReader::new(client.take(LONGEST_HEAD));
    let mut first = String::new();
    request.read_line(&mut first).await?;
    let mut line = String::new();
    while request.read_line(&mut line).await? > 0 && !line.trim().is_empty() {
        line.clear();
    }
    let mut words = first.split_ascii_whitespace();
    let get = words.next() == Some("GET");
    Ok(words.next().filter(|_| get).map(str::to_owned))
}

async fn refuse(client: &mut TcpStream, status: &str, why: &str) -> io::Result<()> {
    let length = why.len();
    let answer = format!(
        "HTTP/1.1 {status}\r\nContent-Type: text/plain\r\nContent-Length: {length}\r\n\
         Connection: close\r\n\r\n{why}"
    );
    client.write_all(answer.as_bytes()).await
}

async fn stream(camera: &Arc<Mutex<DialCamera>>, client: &mut TcpStream) -> io::Result<()> {
    let head = format!(
        "HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary={BOUNDARY}\r\n\
         Cache-Control: no-store\r\nConnection: close\r\n\r\n"
    );
    client.write_all(head.as_bytes()).await?;
    loop {
        let bytes = match jpeg(camera).await {
            Ok(bytes) => bytes,
            Err(NoPicture::Lost) => continue,
            Err(error) => return Err(io::Error::other(error)),
        };
        let head = format!(
            "--{BOUNDARY}\r\nContent-Type: image/jpeg\r\nContent-Length: {}\r\n\r\n",
            bytes.len()
        );
        client.write_all(head.as_bytes()).await?;
        client.write_all(&bytes).await?;
        client.write_all(b"\r\n").await?;
    }
}

/// Rendered and compressed on another thread: the instruments go on answering meanwhile.
async fn jpeg(camera: &Arc<Mutex<DialCamera>>) -> Result<Vec<u8>, NoPicture> {
    let exposed = camera.lock().await.exposed().await?;
    let camera = camera.clone();
    let work = move || {
        let frame = camera.blocking_lock().render(&exposed)?;
        Ok(frame.jpeg(QUALITY)?)
    };
    // The work ends early only when the service does.
    let done = tokio::task::spawn_blocking(work).await;
    done.unwrap_or(Err(NoPicture::Lost))
}
