//! Forged codes, replays, other people's trials, and what the engineer's page asks for.

use super::visitors::{Hall, LISTENS, Visitor, ask, picked};
use crate::program::most_files;
use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

#[test]
fn forged_codes_replays_and_others_trials_are_refused() {
    let hall = Hall::published(2);
    let replica = hall.replica();
    let host = replica.host.as_str();
    let (ann, bob) = (hall.visitor(host), hall.visitor(host));
    let trial = ann.opens(host);
    std::thread::sleep(LISTENS);
    // Another visitor's trial is as unknown as none at all.
    assert_eq!(bob.picks(host, &trial, "A").unwrap().is(404).json()["error"]["kind"], "no-trial");
    let (name, code) = ann.cookie.split_once('=').unwrap();
    let last = if code.ends_with('0') { "1" } else { "0" };
    let turned = format!("{}{last}", &code[..code.len() - 1]);
    let forged = ["0".repeat(64), turned, code[..40].to_owned(), "\u{e9}".repeat(32), String::new()];
    for code in &forged {
        let visitor = Visitor { cookie: format!("{name}={code}"), test: hall.test.clone() };
        assert_eq!(visitor.ask(host, "GET", "", "").unwrap().is(403).json()["error"]["kind"], "no-place");
        visitor.picks(host, &trial, "A").unwrap().is(403);
    }
    // No row was written for any of them.
    assert_eq!(hall.cluster.sql("select count(*), count(distinct visitor) from hall_trials").trim(), "1\t1");
    ann.picks(host, &trial, "B").unwrap().is(200);
    for choice in ["A", "X", "1", "B "] {
        let status = ann.picks(host, &trial, choice).unwrap().status;
        assert_eq!(status, 409, "{choice}");
    }
    ann.picks(host, &trial, "B").unwrap().is(200);
    assert_eq!(hall.cluster.sql("select count(*) from hall_picks").trim(), "1");
    // Forms of other sites, strange bodies, large ones.
    let path = format!("/api/h/{}/trials", hall.test);
    let cross = format!(
        "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://elsewhere.example\r\nCookie: {}\r\nConnection: close\r\nContent-Length: 0\r\n\r\n",
        ann.cookie
    );
    assert!(raw(host, &cross).starts_with("HTTP/1.1 403"));
    let next = ann.opens(host);
    let pick = format!("/trials/{}/pick", next["trial"].as_str().unwrap());
    ann.ask(host, "POST", &pick, "{").unwrap().is(400);
    ann.ask(host, "POST", &pick, &format!("{{\"choice\":\"{}\"}}", "A".repeat(70_000))).unwrap().is(413);
    for strange in
        ["/api/h/zz", "/api/h/%00", "/h/0000", &format!("/api/h/{}", "ab".repeat(16)), "/sound/..%2fkey", "/sound/key.wav"]
    {
        ask(host, "GET", strange, &ann.cookie, "").unwrap().is(404);
    }
    // The sounds of a test that is not heard any more stay what they were; a name that was never given is none.
    ask(host, "GET", &format!("/sound/{}.wav", "00".repeat(16)), "", "").unwrap().is(404);
    let _ = picked(&next, "A");
    engineers_page(&hall, host, &replica.engineer);
    // Who can write the database and has no key cannot give a trial the order of another one.
    hall.cluster.sql("update hall_trials set sealed = (select sealed from hall_trials where number = 2) where number = 1");
    ann.ask(host, "GET", "", "").unwrap().is(500);
    hall.run(&["hall", "close", "s", "--test", "test-1"]);
    assert_eq!(hall.refused(&["hall", "collect", "s", "--test", "test-1", "--key", "key", "--json"], 4), "hall-locked");
}

fn raw(host: &str, text: &str) -> String {
    let mut stream = TcpStream::connect(host).unwrap();
    stream.write_all(text.as_bytes()).unwrap();
    let mut out = String::new();
    stream.read_to_string(&mut out).unwrap();
    out
}

fn engineers_page(hall: &Hall, host: &str, link: &str) {
    ask(host, "GET", "/engineer", "", "").unwrap().is(403);
    ask(host, "GET", "/engineer?key=0123456789abcdef0123456789abcdef", "", "").unwrap().is(403);
    let path = &link[link.find("/engineer").unwrap()..];
    let cookie = ask(host, "GET", path, "", "").unwrap().is(303).header("set-cookie").unwrap();
    let page = ask(host, "GET", "/engineer", cookie.split(';').next().unwrap(), "").unwrap().is(200);
    let text = String::from_utf8(page.body).unwrap();
    assert!(text.contains(&hall.test) && text.contains("1 visitors, 2 trials opened, 1 answered"), "{text}");
    assert!(!text.contains("right") || text.contains("Right and wrong are counted when"), "{text}");
}

#[test]
fn what_the_hall_cannot_carry_is_refused_before_anything_is_written() {
    let hall = Hall::sealed(2);
    hall.folder.run(&["plan", "s", "--compare", "one,two", "--trials", "4", "--yes"]).ends(0);
    let publish = |test: &'static str| ["hall", "publish", "s", "--test", test, "--sound", "sound", "--key", "key", "--json"];
    assert_eq!(hall.refused(&publish("test-2"), 3), "hall-unfit");
    assert!(!hall.folder.join("key").exists(), "no key is drawn for a test that is refused");
    assert_eq!(hall.refused(&["hall", "status", "s", "--test", "test-1", "--json"], 4), "hall-not-published");
    std::fs::write(hall.folder.join("sound"), "a file").unwrap();
    assert_eq!(hall.refused(&publish("test-1"), 1), "hall-store");
    std::fs::remove_file(hall.folder.join("sound")).unwrap();
    hall.run(&["hall", "publish", "s", "--test", "test-1", "--sound", "sound", "--key", "key", "--variants", "4"]);
    assert_eq!(hall.refused(&["hall", "serve", "--key", "key", "--listen", "203.0.113.7:1", "--json"], 1), "hall-start");
    hall.run(&["hall", "close", "s", "--test", "test-1"]);
    assert_eq!(hall.refused(&publish("test-1"), 3), "hall-closed");
    hall.cluster.sql("insert into hall_migrations (number) values (99)");
    assert_eq!(hall.refused(&["hall", "status", "s", "--test", "test-1", "--json"], 4), "hall-newer");
}

/// Too many requests of one address wait; another address does not notice.
#[test]
fn an_address_that_asks_too_often_is_told_to_wait() {
    let hall = Hall::published(2);
    let replica = Hall::ready(hall.begin(&["--per-address", "20"]));
    let host = replica.host.as_str();
    let get = |from: &str, path: &str| {
        raw(host, &format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nX-Forwarded-For: {from}\r\nConnection: close\r\n\r\n"))
    };
    let page = format!("/h/{}", hall.test);
    for _ in 0..20 {
        assert!(get("198.51.100.7", "/assets/none").starts_with("HTTP/1.1 404"));
    }
    let refused = get("198.51.100.7", "/assets/none");
    assert!(refused.starts_with("HTTP/1.1 429") && refused.to_lowercase().contains("retry-after: 2"), "{refused}");
    // Of its requests a tenth may be of new visitors.
    assert!(get("198.51.100.8", &page).starts_with("HTTP/1.1 200"));
    assert!(get("198.51.100.8", &page).starts_with("HTTP/1.1 200"));
    assert!(get("198.51.100.8", &page).starts_with("HTTP/1.1 429"));
    // A network of IPv6 is one place, whatever its last 64 bits say.
    for last in 1..=20 {
        assert!(get(&format!("2001:db8:0:1::{last}"), "/assets/none").starts_with("HTTP/1.1 404"));
    }
    assert!(get("2001:db8:0:1:ffff::1", "/assets/none").starts_with("HTTP/1.1 429"));
    assert!(get("2001:db8:0:2::1", "/assets/none").starts_with("HTTP/1.1 404"));
}

/// Ten thousand connections that never end their first request, from one machine, as behind a web server all are: a visitor notices
/// nothing, and they are let go.
#[test]
fn ten_thousand_half_open_connections_take_nothing_from_a_visitor() {
    let hall = Hall::published(2);
    let replica = hall.replica();
    let wanted = 10_000.min(most_files().saturating_sub(1000));
    println!("{wanted} connections");
    let mut held = Vec::new();
    for i in 0..wanted {
        if i % 100 == 99 {
            // The replica has to keep up with taking them.
            std::thread::sleep(Duration::from_millis(5));
        }
        let mut stream = TcpStream::connect(&replica.host).unwrap();
        stream.write_all(b"GET /h/0 HTTP/1.1\r\nHost: 127").unwrap();
        held.push(stream);
    }
    hall.visitor(&replica.host).answers(&replica.host, 2, |_| "A");
    let memory = replica.memory_mb();
    assert!(memory < 300.0, "{memory} MB");
    for mut stream in held {
        stream.set_read_timeout(Some(Duration::from_secs(120))).unwrap();
        let mut rest = Vec::new();
        // Closed with or without a word; a reset says the same.
        if let Err(e) = stream.read_to_end(&mut rest) {
            assert!(e.kind() == ErrorKind::ConnectionReset, "still open after two minutes: {e}");
        }
    }
}
