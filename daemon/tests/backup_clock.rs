//! Whether the clock can be believed, asked of chrony as Debian packages it.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::health::trust::{Evidence, Places, look};
use std::path::Path;
use std::process::{Child, Command, Stdio};

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// A time daemon that leaves the clock of this machine alone.
fn chrony(folder: &Path, port: u16, more: &str) -> Option<Daemon> {
    let file = folder.join(format!("{port}.conf"));
    let place = folder.display();
    let text = format!(
        "{more}\ncmdport {port}\nport 0\nbindcmdaddress 127.0.0.1\nbindcmdaddress /\n\
         driftfile {place}/{port}.drift\npidfile {place}/{port}.pid\n"
    );
    std::fs::write(&file, text).unwrap();
    let started = Command::new("/usr/sbin/chronyd")
        .args(["-x", "-d", "-u", "root", "-f"])
        .arg(&file)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    started.map(Daemon).map_err(|error| println!("chronyd cannot be started ({error}): not tested")).ok()
}

#[test]
fn chrony_says_whether_it_has_set_the_clock() {
    let folder = tempfile::tempdir().unwrap();
    for (more, expected) in [("local stratum 10", Evidence::Synchronised), ("", Evidence::Waiting)] {
        let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
        let port = socket.local_addr().unwrap().port();
        drop(socket);
        let Some(_daemon) = chrony(folder.path(), port, more) else { return };
        let places = Places {
            timesync_folder: folder.path().join("none"),
            chrony_folder: folder.path().to_owned(),
            chrony_address: std::net::SocketAddr::from(([127, 0, 0, 1], port)),
            rtc_folder: folder.path().join("none"),
        };
        // It answers once it has begun: its file comes first, its answers a moment later.
        let mut found = Evidence::Nothing;
        for _ in 0..200 {
            let begun = folder.path().join(format!("{port}.pid")).exists();
            found = look(&places);
            if found == expected && begun {
                break;
            }
            assert!(Command::new("sleep").arg("0.05").status().unwrap().success());
        }
        assert_eq!(found, expected, "{more}");
    }
}
