//! Golden files: what people see, kept as text. `CABJURY_GOLDEN=write` renews them; then read the diff.

use std::path::PathBuf;

/// Compares `actual` with `tests/golden/NAME`, and says where they part.
pub(crate) fn check(name: &str, actual: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(name);
    if std::env::var("CABJURY_GOLDEN").is_ok_and(|v| v == "write") {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, actual).unwrap();
        return;
    }
    let expected = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; look at the text, then CABJURY_GOLDEN=write\n{actual}", path.display()));
    if expected != actual {
        let line = expected.lines().zip(actual.lines()).position(|(e, a)| e != a);
        let at = line.unwrap_or_else(|| expected.lines().count().min(actual.lines().count()));
        panic!(
            "{} differs from line {}:\n  kept: {:?}\n  now:  {:?}\n--- now ---\n{actual}",
            path.display(),
            at + 1,
            expected.lines().nth(at),
            actual.lines().nth(at)
        );
    }
}
