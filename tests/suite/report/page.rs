use super::sample;
use cabjury::model::verdict::VerdictKind;
use cabjury::report::content::document;
use cabjury::report::page::page;

#[test]
fn write_a_sample_to_look_at() {
    let test = sample::test(
        VerdictKind::Heard,
        &[(13, 16), (9, 16), (15, 16)],
        "Heard: 37 of 48 right (chance 24); what changed was wiring and tap together.",
    );
    std::fs::write("/tmp/sample.html", page(&document(&sample::report(test)).unwrap())).unwrap();
}
