//! Replicas and the database are killed under load; connections run out. Three rounds here, 50 by `tests/long hall`.

use super::visitors::{Hall, LISTENS, Replica, Visitor, ask};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

type Acknowledged = Arc<Mutex<BTreeMap<String, String>>>;

/// A visitor who answers until it is over, going from one replica to the other whenever one does not answer. What was sent is sent again
/// until it is known what became of it, as the page does.
fn answers(visitor: &Visitor, hosts: &Mutex<Vec<String>>, stop: &AtomicBool, acknowledged: &Acknowledged) {
    let mut turn = 0;
    let mut sure = |method: &str, path: &str, body: &str| loop {
        let host = {
            let hosts = hosts.lock().unwrap();
            hosts[turn % hosts.len()].clone()
        };
        match visitor.ask(&host, method, path, body) {
            Ok(answer) if answer.status != 503 => return Some(answer),
            _ if stop.load(Ordering::Acquire) => return None,
            _ => turn += 1,
        }
        std::thread::sleep(Duration::from_millis(100));
    };
    while !stop.load(Ordering::Acquire) {
        let Some(opened) = sure("POST", "/trials", "") else { return };
        // A replica may have died between writing a trial and telling of it: then it is open already.
        let trial = match opened.status {
            201 => opened.json(),
            409 => opened.json()["open_trial"].clone(),
            other => panic!("{other}"),
        };
        std::thread::sleep(LISTENS);
        let id = trial["trial"].as_str().unwrap().to_owned();
        let choice = if id.as_bytes()[0] % 2 == 0 { "A" } else { "B" };
        let body = super::visitors::picked(&trial, choice);
        let Some(answer) = sure("POST", &format!("/trials/{id}/pick"), &body) else { return };
        assert_eq!(answer.status, 200, "the same answer again is fine: {}", String::from_utf8_lossy(&answer.body));
        assert!(acknowledged.lock().unwrap().insert(id, choice.to_owned()).is_none());
    }
}

#[test]
fn killed_replicas_and_a_killed_database_lose_no_acknowledged_pick() {
    let rounds = std::env::var("CABJURY_ROUNDS").ok().and_then(|r| r.parse().ok()).unwrap_or(3);
    let hall = Hall::published(900);
    let mut replicas: Vec<Replica> = vec![hall.replica(), hall.replica()];
    let hosts = Arc::new(Mutex::new(replicas.iter().map(|r| r.host.clone()).collect::<Vec<_>>()));
    let (stop, acknowledged) = (Arc::new(AtomicBool::new(false)), Acknowledged::default());
    let visitors: Vec<Visitor> = (0..6).map(|_| hall.visitor(&replicas[0].host)).collect();
    let listening: Vec<_> = visitors
        .into_iter()
        .map(|visitor| {
            let (hosts, stop, acknowledged) = (Arc::clone(&hosts), Arc::clone(&stop), Arc::clone(&acknowledged));
            std::thread::spawn(move || answers(&visitor, &hosts, &stop, &acknowledged))
        })
        .collect();
    for round in 0..rounds {
        let before = acknowledged.lock().unwrap().len();
        std::thread::sleep(Duration::from_millis(700 + 137 * (round % 5)));
        replicas[(round % 2) as usize].cut();
        std::thread::sleep(Duration::from_millis(300));
        hall.cluster.cut();
        std::thread::sleep(Duration::from_millis(200));
        hall.cluster.begin();
        replicas[(round % 2) as usize] = hall.replica();
        *hosts.lock().unwrap() = replicas.iter().map(|r| r.host.clone()).collect();
        let begun = Instant::now();
        while acknowledged.lock().unwrap().len() < before + 6 {
            assert!(begun.elapsed() < Duration::from_secs(60), "nobody can answer after round {round}");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
    stop.store(true, Ordering::Release);
    listening.into_iter().for_each(|l| l.join().unwrap());
    let acknowledged = acknowledged.lock().unwrap().clone();
    let kept: Vec<(String, String)> = hall
        .cluster
        .sql("select encode(trial, 'hex'), choice from hall_picks")
        .lines()
        .filter_map(|l| l.split_once('\t').map(|(t, c)| (t.to_owned(), c.to_owned())))
        .collect();
    let by_trial: BTreeMap<String, String> = kept.iter().cloned().collect();
    assert_eq!(kept.len(), by_trial.len(), "a pick is there twice");
    for (trial, choice) in &acknowledged {
        assert_eq!(by_trial.get(trial), Some(choice), "an acknowledged pick is lost or changed");
    }
    assert!(acknowledged.len() >= 6 * rounds as usize);
    let gaps =
        "select count(*) from (select visitor, count(*) c, max(number) m from hall_trials group by visitor) v where c <> m";
    assert_eq!(hall.cluster.sql(gaps).trim(), "0", "a number was given twice or left out");
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
