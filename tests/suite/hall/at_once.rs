//! Publishers and replicas that begin at the same moment are one.

use super::cluster::Cluster;
use super::visitors::Hall;
use serde_json::Value;
use std::process::Stdio;

#[test]
fn two_that_begin_at_once_are_one() {
    let hall = Hall::sealed(2);
    std::fs::write(hall.folder.join("key"), "5c".repeat(32)).unwrap();
    let publish = ["hall", "publish", "s", "--test", "test-1", "--sound", "sound", "--key", "key", "--variants", "4", "--json"];
    let started: Vec<_> =
        (0..2).map(|_| hall.command(&publish).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()).collect();
    let names: Vec<String> = started
        .into_iter()
        .map(|child| {
            let out = child.wait_with_output().unwrap();
            assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
            let doc: Value = serde_json::from_slice(&out.stdout).unwrap();
            doc["hall"].as_str().unwrap().to_owned()
        })
        .collect();
    assert_eq!(names[0], names[1]);
    let count = || hall.cluster.sql("select count(*), count(distinct test) from hall_sounds").trim().to_owned();
    let sounds = count();
    assert!(sounds.ends_with("\t1"), "{sounds}");
    // As many as one publisher alone makes: another one finds nothing to add.
    hall.run(&publish);
    assert_eq!(count(), sounds);
    let files = std::fs::read_dir(hall.folder.join("sound")).unwrap().count();
    assert_eq!(files.to_string(), sounds.split('\t').next().unwrap(), "a sound lies there that no row names");
    // An empty database is made ready once, by whichever replica comes first.
    let empty = Cluster::start();
    let begun: Vec<_> = (0..3).map(|_| hall.begin(&["--database", &empty.url()])).collect();
    let replicas: Vec<_> = begun.into_iter().map(Hall::ready).collect();
    assert_eq!(replicas.len(), 3);
    assert_eq!(empty.sql("select count(*) = count(distinct number) and count(*) > 0 from hall_migrations").trim(), "t");
}
