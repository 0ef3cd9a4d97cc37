//! Whose word is taken on where a request comes from.

use axum::body::Body;
use axum::extract::{ConnectInfo, Request};
use cabjury::hall::guard::from;
use std::net::{IpAddr, SocketAddr};

#[test]
fn only_this_machine_and_named_web_servers_say_who_asks() {
    let seen = |direct: [u8; 4], passed: &str, proxies: &[&str]| {
        let mut request = Request::get("/").header("x-forwarded-for", passed).body(Body::empty()).unwrap();
        request.extensions_mut().insert(ConnectInfo(SocketAddr::from((direct, 40_000))));
        let proxies: Vec<IpAddr> = proxies.iter().map(|p| p.parse().unwrap()).collect();
        from(&proxies, &request).unwrap().to_string()
    };
    assert_eq!(seen([127, 0, 0, 1], "198.51.100.7", &[]), "198.51.100.7");
    // What a visitor writes into the line stands before what our own web server adds.
    assert_eq!(seen([127, 0, 0, 1], "192.0.2.1, 198.51.100.7", &[]), "198.51.100.7");
    assert_eq!(seen([203, 0, 113, 5], "198.51.100.7", &[]), "203.0.113.5");
    assert_eq!(seen([203, 0, 113, 5], "198.51.100.7", &["203.0.113.5"]), "198.51.100.7");
    assert_eq!(seen([127, 0, 0, 1], "nonsense", &[]), "127.0.0.1");
}
