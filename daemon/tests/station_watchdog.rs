//! The station as the service manager sees it: ready once it watches, its watchdog fed while every
//! vital task works, and no longer when one thread of it stands still. One thread is held by
//! `ptrace(2)`, as a task in a deadlock would be; the others go on.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar_calc::time::Span;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::time::Duration;

/// What the service manager allows between two signs of life.
const WATCHDOG: Span = Span::from_secs(2);
/// How long a task of the core may be late, and the store; and the watchdog on top.
const CORE_STUCK: Span = Span::from_secs(25 + 2);
const STORE_STUCK: Span = Span::from_secs(20 + 4);

const STATION: &str = r#"
[station]
name = "Kettle Point"
time-zone = "America/Chicago"
[[rack.header]]
id = "A"
rows = [["01", "02"]]
[[source.serial]]
id = "board"
port = "FOLDER/no-such-port"
[[people]]
id = "kim"
email = "kim@home.example"
[rota]
weeks = [["kim"]]
[notify]
mail-folder = "FOLDER/mail"
[web]
listen = "127.0.0.1:0"
[store]
folder = "FOLDER/data"
"#;

/// Holds the threads of a process whose names begin so, until it is dropped.
struct Held(Child, Option<ChildStdin>);

const HOLD: &str = r#"
import ctypes, os, sys
libc = ctypes.CDLL(None, use_errno=True)
libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
ATTACH, DETACH = 16, 17
pid, name = sys.argv[1], sys.argv[2]
held = []
for tid in sorted(map(int, os.listdir(f"/proc/{pid}/task"))):
    if open(f"/proc/{pid}/task/{tid}/comm").read().strip().startswith(name):
        if libc.ptrace(ATTACH, tid, None, None) != 0:
            sys.exit(os.strerror(ctypes.get_errno()))
        os.waitpid(tid, 0x40000000)
        held.append(tid)
print(len(held), flush=True)
sys.stdin.read()
for tid in held:
    libc.ptrace(DETACH, tid, None, None)
"#;

impl Held {
    fn hold(process: u32, name: &str) -> Self {
        let mut child = Command::new("python3")
            .args(["-c", HOLD, &process.to_string(), name])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let held: usize = line.trim().parse().unwrap_or(0);
        assert!(held > 0, "no thread called {name} was held: {line:?}");
        let stdin = child.stdin.take();
        Self(child, stdin)
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        drop(self.1.take());
        drop(self.0.wait());
    }
}

struct Service {
    process: Child,
    socket: UnixDatagram,
    clock: SystemClock,
}

impl Service {
    fn start(folder: &Path) -> Self {
        let text = STATION.replace("FOLDER", folder.to_str().unwrap());
        std::fs::write(folder.join("nightjar.toml"), text).unwrap();
        let path = folder.join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        let process = Command::new(env!("CARGO_BIN_EXE_nightjar"))
            .args(["run", "--config"])
            .arg(folder.join("nightjar.toml"))
            .env("NOTIFY_SOCKET", &path)
            .env("WATCHDOG_USEC", (WATCHDOG.ms() * 1_000).to_string())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Self { process, socket, clock: SystemClock::new(Box::new(NotBeforeBuild)) }
    }

    /// The next word to the service manager, if it comes within this time.
    fn word(&self, within: Span) -> Option<String> {
        self.socket.set_read_timeout(Some(Duration::from_millis(within.ms().unsigned_abs()))).unwrap();
        let mut bytes = [0; 512];
        let length = self.socket.recv(&mut bytes).ok()?;
        Some(String::from_utf8_lossy(&bytes[..length]).into_owned())
    }

    /// Waits until the station says that it is ready. The watchdog may be fed before: its task
    /// starts first.
    fn wait_until_ready(&self) {
        let until = self.clock.now().up.after(Span::from_secs(20));
        while self.clock.now().up < until {
            if self.word(WATCHDOG).is_some_and(|word| word.contains("READY=1")) {
                return;
            }
        }
        panic!("not ready within 20 s");
    }

    fn feeds_for(&self, span: Span) -> usize {
        let until = self.clock.now().up.after(span);
        let mut feeds = 0;
        while self.clock.now().up < until {
            feeds += usize::from(self.word(WATCHDOG).is_some_and(|word| word.contains("WATCHDOG=1")));
        }
        feeds
    }

    /// How long it takes until the service manager would end the program: nothing heard for as long
    /// as it allows.
    fn starved_after(&self, limit: Span) -> Option<Span> {
        let began = self.clock.now().up;
        loop {
            let heard = self.word(WATCHDOG);
            let passed = self.clock.now().up.since(began);
            if heard.is_none() {
                return Some(passed);
            }
            if passed > limit + WATCHDOG {
                return None;
            }
        }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

fn can_hold() -> bool {
    let probe = Command::new("python3").args(["-c", "import ctypes"]).status();
    let there = probe.is_ok_and(|status| status.success());
    if !there {
        println!("skipped: no python3 to hold a thread with");
    }
    there
}

#[test]
fn the_watchdog_is_fed_while_all_works_and_starves_when_a_vital_thread_stands_still() {
    if !can_hold() {
        return;
    }
    // Both at once: what is waited for is long.
    let tries = [("store", STORE_STUCK), ("nightjar", CORE_STUCK)];
    std::thread::scope(|scope| {
        for (name, limit) in tries {
            scope.spawn(move || {
                let folder = tempfile::tempdir().unwrap();
                let service = Service::start(folder.path());
                service.wait_until_ready();
                let feeds = service.feeds_for(Span::from_secs(6));
                assert!(feeds >= 4, "fed {feeds} times in 6 s");

                let held = Held::hold(service.process.id(), name);
                let starved = service.starved_after(limit);
                drop(held);
                let took = starved.unwrap_or_else(|| panic!("{name} stood still and the watchdog was fed"));
                println!("{name} held: no word for {} s after {:.1} s", WATCHDOG.secs(), took.secs());
            });
        }
        scope.spawn(|| {
            let folder = tempfile::tempdir().unwrap();
            let service = Service::start(folder.path());
            service.wait_until_ready();
            let _held = Held::hold(service.process.id(), "page");
            let feeds = service.feeds_for(Span::from_secs(28));
            println!("page held for 28 s: fed {feeds} times");
            // Alarms go on: that is no reason to start anew.
            assert!(feeds >= 20, "a page that stands still does not end the watch: fed {feeds} times");
        });
    });
    std::io::stdout().flush().unwrap();
}
