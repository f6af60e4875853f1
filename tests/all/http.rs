//! One request over plain HTTP/1.1, as any program may send it.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// Status, head and body of the answer, read to its end or for so long: a stream has none.
pub fn ask(addr: SocketAddr, most: Duration, head: &str, body: &str) -> (u16, String, String) {
    let mut stream = TcpStream::connect(("127.0.0.1", addr.port())).unwrap();
    stream.set_read_timeout(Some(most)).unwrap();
    let length = body.len();
    write!(
        stream,
        "{head}\r\nContent-Length: {length}\r\nConnection: close\r\n\r\n{body}"
    )
    .unwrap();
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    (status, head.to_owned(), body.to_owned())
}
