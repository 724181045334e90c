//! The README's tour is run as it stands: every output line shown there must come out, in that order.

use std::{fs, process::Command};

#[test]
fn the_tour_gives_the_output_that_it_shows() {
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    let bench = tempfile::tempdir().unwrap();
    let mut commands = 0;
    let mut lines = 0;
    for block in readme
        .split("```console\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
    {
        let mut output = String::new();
        for line in block.lines() {
            if let Some(command) = line.strip_prefix("$ feelgauge ") {
                let run = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
                    .args(command.split(' '))
                    .current_dir(bench.path())
                    .output()
                    .unwrap();
                assert!(
                    run.status.success(),
                    "{command}: {}",
                    String::from_utf8_lossy(&run.stderr)
                );
                output = String::from_utf8(run.stdout).unwrap();
                commands += 1;
            } else if line != "..." {
                let at = output.find(line).unwrap_or_else(|| {
                    panic!("not in the output, or not in order: {line}\n{output}")
                });
                output.drain(..at + line.len());
                lines += 1;
            }
        }
    }
    assert!(
        commands >= 8 && lines >= 15,
        "the tour was found: {commands} commands, {lines} lines"
    );
}
