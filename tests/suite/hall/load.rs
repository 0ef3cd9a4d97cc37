//! Visitors who answer without a pause while something goes wrong, and what they were told.

use super::cluster::Cluster;
use super::visitors::{Hall, LISTENS, Visitor, picked};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

type Acknowledged = Arc<Mutex<BTreeMap<String, String>>>;

/// Six visitors at work.
pub(super) struct Load {
    hosts: Arc<Mutex<Vec<String>>>,
    stop: Arc<AtomicBool>,
    acknowledged: Acknowledged,
    listening: Vec<JoinHandle<()>>,
}

impl Load {
    /// They begin at these replicas.
    pub(super) fn on(hall: &Hall, hosts: Vec<String>) -> Self {
        let visitors: Vec<Visitor> = (0..6).map(|_| hall.visitor(&hosts[0])).collect();
        let hosts = Arc::new(Mutex::new(hosts));
        let (stop, acknowledged) = (Arc::new(AtomicBool::new(false)), Acknowledged::default());
        let listening = visitors
            .into_iter()
            .map(|visitor| {
                let (hosts, stop, acknowledged) = (Arc::clone(&hosts), Arc::clone(&stop), Arc::clone(&acknowledged));
                std::thread::spawn(move || answers(&visitor, &hosts, &stop, &acknowledged))
            })
            .collect();
        Self { hosts, stop, acknowledged, listening }
    }

    /// The replicas that there are from now on.
    pub(super) fn moves_to(&self, hosts: Vec<String>) {
        *self.hosts.lock().unwrap() = hosts;
    }

    /// Answers that were acknowledged so far.
    pub(super) fn so_far(&self) -> usize {
        self.acknowledged.lock().unwrap().len()
    }

    /// Waits until so many are acknowledged.
    #[track_caller]
    pub(super) fn reaches(&self, answers: usize) {
        let begun = Instant::now();
        while self.so_far() < answers {
            assert!(begun.elapsed() < Duration::from_secs(60), "nobody can answer any more");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Everybody leaves; every acknowledged answer is in this database once, and no number of a trial was left out or given twice. Gives
    /// how many there are.
    #[track_caller]
    pub(super) fn ends_with_everything_in(self, cluster: &Cluster) -> usize {
        self.stop.store(true, Ordering::Release);
        self.listening.into_iter().for_each(|l| l.join().unwrap());
        let rows = cluster.sql("select encode(trial, 'hex'), choice from hall_picks");
        let kept: BTreeMap<&str, &str> = rows.lines().filter_map(|l| l.split_once('\t')).collect();
        assert_eq!(kept.len(), rows.lines().count(), "a pick is there twice");
        let acknowledged = self.acknowledged.lock().unwrap();
        for (trial, choice) in acknowledged.iter() {
            assert_eq!(kept.get(trial.as_str()), Some(&choice.as_str()), "an acknowledged pick is lost or changed");
        }
        let gaps =
            "select count(*) from (select visitor, count(*) c, max(number) m from hall_trials group by visitor) v where c <> m";
        assert_eq!(cluster.sql(gaps).trim(), "0", "a number was given twice or left out");
        acknowledged.len()
    }
}

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
        let body = picked(&trial, choice);
        let Some(answer) = sure("POST", &format!("/trials/{id}/pick"), &body) else { return };
        assert_eq!(answer.status, 200, "the same answer again is fine: {}", String::from_utf8_lossy(&answer.body));
        assert!(acknowledged.lock().unwrap().insert(id, choice.to_owned()).is_none());
    }
}
