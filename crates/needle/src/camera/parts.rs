//! The parts of a `multipart/x-mixed-replace` stream: each a picture.

use super::CameraError;
use super::decode::LARGEST_FILE;
use std::io::{BufRead, Read};

/// Longest line of a part's head, and of the boundary, bytes.
const LONGEST_LINE: usize = 1024;
/// Most lines of a part's head.
const MOST_LINES: usize = 64;

/// The boundary that a content type names; none when it is no stream of parts.
pub(crate) fn boundary(content_type: &str) -> Option<String> {
    let (kind, rest) = content_type.split_once(';')?;
    if !kind
        .trim()
        .eq_ignore_ascii_case("multipart/x-mixed-replace")
    {
        return None;
    }
    let named = rest.split(';').find_map(|entry| {
        let (name, value) = entry.split_once('=')?;
        name.trim()
            .eq_ignore_ascii_case("boundary")
            .then_some(value)
    })?;
    // Some cameras name the boundary with the dashes that only belong before it in the stream.
    let bare = named.trim().trim_matches('"').trim_start_matches('-');
    (!bare.is_empty() && bare.len() < LONGEST_LINE).then(|| bare.to_owned())
}

/// Reads parts one after the other.
pub(crate) struct Parts<R> {
    stream: R,
    boundary: String,
    /// Whether the stream stands behind a boundary already.
    at_head: bool,
}

impl<R: BufRead> Parts<R> {
    pub(crate) fn new(stream: R, boundary: String) -> Self {
        Self {
            stream,
            boundary,
            at_head: false,
        }
    }

    /// The next part's bytes.
    ///
    /// # Errors
    /// When the stream ends, is no stream of parts, or a part is too large.
    pub(crate) fn next(&mut self) -> Result<Vec<u8>, CameraError> {
        if !self.at_head {
            self.find_boundary()?;
        }
        self.at_head = false;
        match self.head()? {
            Some(length) if length > LARGEST_FILE => {
                Err(damaged(&format!("a part of {length} bytes is too large")))
            }
            Some(length) => {
                let mut bytes = Vec::new();
                let mut part = (&mut self.stream).take(length as u64);
                part.read_to_end(&mut bytes).map_err(broken)?;
                if bytes.len() < length {
                    return Err(damaged("the stream ends within a picture"));
                }
                Ok(bytes)
            }
            None => self.up_to_boundary(),
        }
    }

    /// Skips to the line of the next boundary.
    fn find_boundary(&mut self) -> Result<(), CameraError> {
        let mut skipped = 0;
        loop {
            let line = self.line()?;
            if self.is_boundary(&line) {
                return Ok(());
            }
            skipped += line.len();
            if skipped > LARGEST_FILE {
                return Err(damaged("the stream has no boundary between pictures"));
            }
        }
    }

    fn is_boundary(&self, line: &[u8]) -> bool {
        let line = line.trim_ascii();
        let dashes = line.iter().take_while(|byte| **byte == b'-').count();
        &line[dashes..] == self.boundary.as_bytes()
    }

    /// Reads a part's head, up to its empty line: the length it states.
    fn head(&mut self) -> Result<Option<usize>, CameraError> {
        let mut length = None;
        for _ in 0..MOST_LINES {
            let line = self.line()?;
            let text = String::from_utf8_lossy(line.trim_ascii());
            if text.is_empty() {
                return Ok(length);
            }
            let Some((name, value)) = text.split_once(':') else {
                return Err(damaged("a part of the stream has no proper head"));
            };
            if name.trim().eq_ignore_ascii_case("content-length") {
                let stated = value.trim().parse();
                length = Some(stated.map_err(|_| damaged("a part states no proper length"))?);
            }
        }
        Err(damaged("a part's head has no end"))
    }

    /// A part that states no length ends where the next boundary begins.
    fn up_to_boundary(&mut self) -> Result<Vec<u8>, CameraError> {
        let mut bytes = Vec::new();
        loop {
            let line = self.line()?;
            if self.is_boundary(&line) {
                self.at_head = true;
                if bytes.ends_with(b"\r\n") {
                    bytes.truncate(bytes.len() - 2);
                }
                return Ok(bytes);
            }
            bytes.extend_from_slice(&line);
            if bytes.len() > LARGEST_FILE {
                return Err(damaged("a part of the stream is too large"));
            }
        }
    }

    /// Up to and with the next line feed, or as many bytes as a line may have.
    fn line(&mut self) -> Result<Vec<u8>, CameraError> {
        let mut line = Vec::new();
        let mut bounded = (&mut self.stream).take(LONGEST_LINE as u64);
        bounded.read_until(b'\n', &mut line).map_err(broken)?;
        if line.is_empty() {
            return Err(damaged("the stream has ended"));
        }
        Ok(line)
    }
}

fn broken(error: std::io::Error) -> CameraError {
    damaged(&format!("the stream broke off: {error}"))
}

fn damaged(why: &str) -> CameraError {
    CameraError::Damaged(why.to_owned())
}

#[cfg(test)]
mod tests {
    use super::{LARGEST_FILE, Parts, boundary};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    /// Reads parts until the stream ends.
    fn all(stream: &[u8]) -> Vec<Vec<u8>> {
        let mut parts = Parts::new(stream, "b".to_owned());
        std::iter::from_fn(|| parts.next().ok()).collect()
    }

    #[test]
    fn boundaries_as_cameras_name_them() {
        let kind = "multipart/x-mixed-replace";
        for named in ["b", "\"b\"", "--b", "\"--b\"", "b; charset=x"] {
            let text = format!("{kind}; boundary={named}");
            assert_eq!(boundary(&text).as_deref(), Some("b"), "{text}");
        }
        assert_eq!(
            boundary("Multipart/X-Mixed-Replace;Boundary=b").as_deref(),
            Some("b")
        );
        for none in [
            "image/jpeg",
            "multipart/mixed; boundary=b",
            kind,
            "x; boundary=b",
        ] {
            assert_eq!(boundary(none), None, "{none}");
        }
        assert_eq!(boundary(&format!("{kind}; boundary=")), None);
    }

    #[test]
    fn parts_with_and_without_a_length() {
        let stream = b"\r\n--b\r\nContent-Length: 5\r\n\r\n12\r\n3\r\n--b\r\nX: y\r\n\r\nab\n--c\r\n\r\n--b\r\n\
            content-length:2\r\n\r\n89\r\n--b--";
        assert_eq!(all(stream), [&b"12\r\n3"[..], b"ab\n--c\r\n", b"89"]);
    }

    #[test]
    fn a_part_that_is_cut_short_or_too_large_is_none() {
        for stream in [
            &b"--b\r\nContent-Length: 5\r\n\r\n1234"[..],
            b"--b\r\nContent-Length: 99999999999\r\n\r\n1234",
            b"--b\r\nContent-Length: -1\r\n\r\n1234",
            b"--b\r\nno head\r\n\r\n1234\r\n--b\r\n",
            b"--b\r\n\r\n1234",
            b"1234",
            b"",
        ] {
            assert!(all(stream).is_empty(), "{stream:?}");
        }
        let mut large = format!("--b\r\nContent-Length: {}\r\n\r\n", LARGEST_FILE + 1).into_bytes();
        large.resize(LARGEST_FILE + 1000, b'x');
        assert!(all(&large).is_empty());
        let mut endless = b"--b\r\n\r\n".to_vec();
        endless.resize(20 << 20, b'x');
        assert!(all(&endless).is_empty());
        let head = [b"--b\r\n".to_vec(), b"A: b\r\n".repeat(100)].concat();
        assert!(all(&head).is_empty());
    }

    #[test]
    fn garbage_ends() {
        let pieces: [&[u8]; 8] = [
            b"--b\r\n",
            b"Content-Length: 7\r\n",
            b"\r\n",
            b"\n",
            b"--",
            b"1234567",
            b"\xff\xd8\xff",
            b":",
        ];
        let mut chance = ChaCha8Rng::seed_from_u64(1);
        for _ in 0..5000 {
            let count = chance.random_range(0..40);
            let stream: Vec<&[u8]> = (0..count)
                .map(|_| pieces[chance.random_range(0..pieces.len())])
                .collect();
            let stream = stream.concat();
            let held: usize = all(&stream).iter().map(Vec::len).sum();
            assert!(held <= stream.len());
        }
    }
}
