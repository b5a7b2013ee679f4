//! What the kernel says about a process.

use std::path::PathBuf;

/// Bytes a process wrote.
#[derive(Clone, Copy, Debug, Default)]
pub struct Written {
    /// Handed to write calls of any kind, files or not.
    pub calls: f64,
    /// Sent to the medium.
    pub medium: f64,
}

fn file(id: u32, name: &str) -> String {
    std::fs::read_to_string(format!("/proc/{id}/{name}")).unwrap_or_default()
}

fn field(text: &str, name: &str) -> f64 {
    let line = text.lines().find(|line| line.starts_with(name)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|word| word.parse().ok()).unwrap_or(f64::NAN)
}

/// Resident memory in MiB.
#[must_use]
pub fn memory_mib(id: u32) -> f64 {
    field(&file(id, "status"), "VmRSS:") / 1_024.0
}

/// Files and sockets it has open.
#[must_use]
pub fn open_files(id: u32) -> f64 {
    std::fs::read_dir(format!("/proc/{id}/fd")).map_or(f64::NAN, |open| open.count() as f64)
}

/// Bytes written so far.
#[must_use]
pub fn written(id: u32) -> Written {
    let io = file(id, "io");
    Written { calls: field(&io, "wchar:"), medium: field(&io, "write_bytes:") }
}

/// Seconds of CPU so far. The threads' own counts are finer than the process's, which also has
/// those of threads that ended; the larger of the two is nearer the truth.
#[must_use]
pub fn cpu_s(id: u32) -> f64 {
    let tasks = std::fs::read_dir(format!("/proc/{id}/task"));
    let fine: f64 = tasks
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|task| std::fs::read_to_string(task.path().join("schedstat")).ok())
        .filter_map(|text| text.split(' ').next()?.parse::<f64>().ok())
        .sum::<f64>()
        / 1e9;
    // After the name in brackets: user time is the twelfth word, system time the thirteenth, in
    // hundredths of a second on every Linux there is.
    let stat = file(id, "stat");
    let ticks: f64 = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .skip(11)
        .take(2)
        .filter_map(|word| word.parse::<f64>().ok())
        .sum();
    fine.max(ticks / 100.0)
}

/// Processes that this one started and that have not ended.
#[must_use]
pub fn children() -> Vec<u32> {
    let own = std::process::id();
    let all = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    all.filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        // After the name in brackets: the state, then the parent.
        .filter(|id| {
            let stat = file(*id, "stat");
            let parent = stat.rsplit(')').next().unwrap_or_default().split_whitespace().nth(1);
            parent.and_then(|parent| parent.parse().ok()) == Some(own)
        })
        .collect()
}

/// Whether a process itself listens on a TCP port of this machine: on a shared machine a client
/// will happily measure somebody else's broker.
#[must_use]
pub fn listens(id: u32, port: u16) -> bool {
    let table = std::fs::read_to_string("/proc/net/tcp").unwrap_or_default();
    let local = format!(":{port:04X}");
    let sockets: Vec<PathBuf> = table
        .lines()
        .map(|line| line.split_whitespace().collect::<Vec<_>>())
        // State 0A is listening; the tenth word is the socket.
        .filter(|words| words.len() > 9 && words[1].ends_with(&local) && words[3] == "0A")
        .map(|words| PathBuf::from(format!("socket:[{}]", words[9])))
        .collect();
    let open = std::fs::read_dir(format!("/proc/{id}/fd")).into_iter().flatten().flatten();
    open.filter_map(|entry| std::fs::read_link(entry.path()).ok()).any(|link| sockets.contains(&link))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn this_process_is_seen() {
        let id = std::process::id();
        assert!(memory_mib(id) > 0.5);
        assert!(cpu_s(id) >= 0.0);
        let listener = std::net::TcpListener::bind(("127.0.0.1", 0)).unwrap();
        let port = listener.local_addr().unwrap().port();
        assert!(listens(id, port));
        assert!(!listens(1, port) || id == 1);
        let mut child = std::process::Command::new("sleep").arg("60").spawn().unwrap();
        assert!(children().contains(&child.id()));
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(!children().contains(&child.id()));
    }
}
