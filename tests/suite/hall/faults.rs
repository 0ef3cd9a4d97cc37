//! Replicas and the database are killed under load, a standby takes over, connections run out. Three rounds here, 50 by `tests/long hall`.

use super::cluster::Cluster;
use super::load::Load;
use super::visitors::{Hall, Replica, ask};
use crate::faults::SmallDisk;
use std::time::Duration;

#[test]
fn killed_replicas_and_a_killed_database_lose_no_acknowledged_pick() {
    let rounds = std::env::var("CABJURY_ROUNDS").ok().and_then(|r| r.parse().ok()).unwrap_or(3);
    let hall = Hall::published(900);
    let mut replicas: Vec<Replica> = vec![hall.replica(), hall.replica()];
    let hosts = |replicas: &[Replica]| replicas.iter().map(|r| r.host.clone()).collect();
    let load = Load::on(&hall, hosts(&replicas));
    for round in 0..rounds {
        let before = load.so_far();
        std::thread::sleep(Duration::from_millis(700 + 137 * (round as u64 % 5)));
        replicas[round % 2].cut();
        std::thread::sleep(Duration::from_millis(300));
        hall.cluster.cut();
        std::thread::sleep(Duration::from_millis(200));
        hall.cluster.begin();
        replicas[round % 2] = hall.replica();
        load.moves_to(hosts(&replicas));
        load.reaches(before + 6);
    }
    assert!(load.ends_with_everything_in(&hall.cluster) >= 6 * rounds);
}

#[test]
fn a_standby_that_takes_over_has_every_acknowledged_pick() {
    let hall = Hall::published(900);
    let standby = hall.cluster.standby();
    // One address of both: whichever takes writes is the one.
    let both =
        format!("user=hall dbname=hall host={},{} target_session_attrs=read-write", hall.cluster.socket(), standby.socket());
    let replica = Hall::ready(hall.begin(&["--database", &both]));
    let load = Load::on(&hall, vec![replica.host.clone()]);
    load.reaches(6);
    hall.cluster.cut();
    standby.takes_over();
    let before = load.so_far();
    load.reaches(before + 12);
    load.ends_with_everything_in(&standby);
}

/// A disk of its own for the database, which is filled: as the administrator only, who may make one.
#[test]
fn a_full_database_sends_visitors_away_and_loses_nothing() {
    let cluster = Cluster::nothing_yet();
    std::fs::create_dir(cluster.data()).unwrap();
    let Some(disk) = SmallDisk::new(std::path::Path::new(&cluster.data()), 200) else {
        println!("only the administrator can make a small disk: left out");
        return;
    };
    disk.belongs_to(cluster.owner().unwrap());
    let hall = Hall::published_in(cluster.behind(disk.entry()), 900);
    let replica = hall.replica();
    let load = Load::on(&hall, vec![replica.host.clone()]);
    load.reaches(6);
    let visitor = hall.visitor(&replica.host);
    disk.fill(0);
    // The rest of its log is used up as a busy day would.
    for _ in 0..400 {
        if hall.cluster.tries("select pg_logical_emit_message(true, 'full', repeat('x', 400000)), pg_switch_wal()").is_err() {
            break;
        }
    }
    let turned_away = visitor.ask(&replica.host, "POST", "/trials", "").unwrap().is(503);
    assert_eq!(turned_away.header("retry-after").as_deref(), Some("2"));
    let before = load.so_far();
    disk.make_room();
    hall.cluster.comes_back();
    load.reaches(before + 6);
    load.ends_with_everything_in(&hall.cluster);
}

#[test]
fn a_database_that_does_not_answer_sends_visitors_away_and_does_not_hang() {
    let hall = Hall::published(3);
    let replica = Hall::ready(hall.begin(&["--connections", "1"]));
    let visitor = hall.visitor(&replica.host);
    visitor.ask(&replica.host, "GET", "", "").unwrap().is(200);
    let mut lock = hall.cluster.beside("begin; lock table hall_trials in access exclusive mode; select pg_sleep(6); commit");
    std::thread::sleep(Duration::from_millis(700));
    // One waits for the lock with the only connection, the others for the connection.
    let waiting: Vec<_> = (0..4)
        .map(|_| {
            let (visitor, host) = (visitor.clone(), replica.host.clone());
            std::thread::spawn(move || visitor.ask(&host, "GET", "", "").unwrap())
        })
        .collect();
    for answer in waiting {
        let answer = answer.join().unwrap().is(503);
        assert_eq!(answer.header("retry-after").as_deref(), Some("2"));
        assert!(matches!(answer.json()["error"]["kind"].as_str(), Some("hall-busy" | "hall-refused" | "hall-database")));
    }
    lock.wait().unwrap();
    visitor.ask(&replica.host, "GET", "", "").unwrap().is(200);
    // Away altogether: alive, not ready, and back without a restart.
    hall.cluster.cut();
    ask(&replica.host, "GET", "/health", "", "").unwrap().is(200);
    ask(&replica.host, "GET", "/ready", "", "").unwrap().is(503);
    visitor.ask(&replica.host, "POST", "/trials", "").unwrap().is(503);
    hall.cluster.begin();
    ask(&replica.host, "GET", "/ready", "", "").unwrap().is(200);
    visitor.opens(&replica.host);
    let metrics = String::from_utf8(ask(&replica.host, "GET", "/metrics", "", "").unwrap().is(200).body).unwrap();
    assert!(metrics.contains("hall_trials_opened_total 1"), "{metrics}");
    let database = format!("postgres:///hall?host={}/nowhere", hall.cluster.path().display());
    for (url, kind, code) in [(database.as_str(), "hall-database", 1), ("nonsense", "hall-address", 2)] {
        let said = hall.folder.run(&["hall", "status", "s", "--test", "test-1", "--database", url, "--json"]);
        assert_eq!((said.code, said.json()["error"]["kind"].as_str()), (code, Some(kind)));
    }
}
