//! The fuzzer's corpora, replayed: seeds, what it found worth keeping, and every input that ever broke something. `fuzz/run` goes on from
//! here.

#[path = "../../fuzz/targets.rs"]
mod targets;

use std::path::Path;

fn replay(target: &str, least: usize, run: fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    assert!(files.len() >= least, "only {} inputs of {target}", files.len());
    for file in files {
        // Shown by the test runner when the input breaks something.
        println!("{}", file.display());
        run(&std::fs::read(&file).unwrap());
    }
}

/// One test, for the targets share a folder and a desk.
#[test]
fn every_input_of_the_corpora() {
    replay("walker", 14, targets::walker);
    replay("decoder", 10, targets::decoder);
    replay("sheet", 3, targets::sheet);
    replay("notation", 11, targets::notation);
    replay("votes", 6, targets::votes);
    replay("bundle", 3, targets::bundle);
    replay("http", 20, targets::http);
    replay("witness", 5, targets::witness);
    targets::tidy();
}
