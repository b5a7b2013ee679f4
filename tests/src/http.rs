//! The plainest of HTTP clients.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// Status and body of a GET.
///
/// # Errors
/// When nobody answers.
pub fn get(port: u16, path: &str) -> std::io::Result<(u16, String)> {
    ask(port, &format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"))
}

/// Sends a request as it is and reads to the end.
///
/// # Errors
/// When nobody answers, or with something that is not HTTP.
pub fn ask(port: u16, request: &str) -> std::io::Result<(u16, String)> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_secs(10)))?;
    stream.write_all(request.as_bytes())?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer)?;
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let status = answer.split(' ').nth(1).and_then(|code| code.parse().ok());
    let status = status.ok_or_else(|| std::io::Error::other("the answer is not HTTP"))?;
    let body = answer.split_once("\r\n\r\n").map_or(String::new(), |(_, body)| body.to_owned());
    Ok((status, body))
}
