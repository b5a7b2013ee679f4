//! The frames of the node sketch in `deploy/node`, made by the same C file that runs on the node,
//! through the station's decoder.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::ingest::decode::sentence::Sentences;
use std::process::Command;

const PROGRAM: &str = r#"
#include "frame.h"
#include <stdio.h>
int main(void) {
  struct frame f;
  const uint32_t numbers[] = {0, 9, 512, 16368, 4294967295u};
  for (unsigned i = 0; i < 5; i++) {
    frame_begin(&f);
    frame_count(&f, "J01T", numbers[i]);
    frame_count(&f, "J01F", numbers[4 - i]);
    frame_count(&f, "J02T", i);
    if (frame_end(&f)) fputs(f.text, stdout);
  }
  frame_begin(&f);
  for (unsigned i = 0; i < 40; i++) frame_count(&f, "J01T", 1);
  if (frame_end(&f)) fputs("too long and sent all the same\n", stdout);
  return 0;
}
"#;

#[test]
fn what_the_node_sends_is_what_the_station_reads() {
    let folder = tempfile::tempdir().unwrap();
    let (source, program) = (folder.path().join("main.c"), folder.path().join("node"));
    std::fs::write(&source, PROGRAM).unwrap();
    let node = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/node");
    let compiled = Command::new("cc")
        .args(["-std=c99", "-Wall", "-Werror", "-I", node, "-o"])
        .args([&program, &source])
        .status();
    let Ok(status) = compiled else {
        println!("there is no C compiler here: not tested");
        return;
    };
    assert!(status.success());
    let sent = String::from_utf8(Command::new(&program).output().unwrap().stdout).unwrap();
    let numbers = [0.0, 9.0, 512.0, 16_368.0, 4_294_967_295.0];
    let lines: Vec<&str> = sent.lines().collect();
    assert_eq!(lines.len(), 5, "{sent}");
    for (n, line) in lines.iter().enumerate() {
        assert!(line.len() < 200);
        let decoded = Sentences::default().decode(line).unwrap();
        let read: Vec<(&str, f64)> = decoded.readings.iter().map(|r| (r.name.as_str(), r.value)).collect();
        assert_eq!(read, [("J01T", numbers[n]), ("J01F", numbers[4 - n]), ("J02T", n as f64)], "{line}");
        // One digit changed on the way is found.
        let broken = line.replacen(",G,", ",G,1", 1);
        assert!(Sentences::default().decode(&broken).is_err());
    }
    println!("{}", lines[2]);
}
