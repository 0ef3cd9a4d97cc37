//! The engineer's page, and what machines ask: alive, ready, counters.

use super::database::answered;
use super::house::House;
use super::records::{self, Standing};
use crate::model::digest::hex;
use crate::model::failure::Failure;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// `GET /health`: the process is there.
pub(super) async fn health() -> &'static str {
    "ok\n"
}

/// `GET /ready`: visitors may be sent here.
pub(super) async fn ready(State(house): State<Arc<House>>) -> Response {
    let leaving = house.stop.load(Ordering::Acquire);
    let there = !leaving
        && match house.database.client().await {
            Ok(client) => answered(client.query_one("select 1", &[])).await.is_ok(),
            Err(_) => false,
        };
    if there {
        "ready\n".into_response()
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, [(header::RETRY_AFTER, "2")], if leaving { "leaving\n" } else { "no database\n" })
            .into_response()
    }
}

/// `GET /metrics`.
pub(super) async fn metrics(State(house): State<Arc<House>>) -> Response {
    let text = house.counters.text(house.database.in_use());
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response()
}

/// `GET /engineer`: how many came and how far they are; nothing of right and wrong.
pub(super) async fn engineer(State(house): State<Arc<House>>) -> Response {
    match standings(&house).await {
        Ok(all) => engineers_page(&all).into_response(),
        Err(error) => {
            house.tell(&error);
            crate::web::guard::said(
                StatusCode::SERVICE_UNAVAILABLE,
                "hall-busy",
                &error.to_string(),
                &error.explain().next(),
                false,
            )
        }
    }
}

async fn standings(house: &House) -> Result<Vec<(String, Standing)>, Failure> {
    let client = house.database.client().await?;
    let mut out = Vec::new();
    for test in records::all_tests(&client).await? {
        out.push((hex(&test), records::standing(&client, &test).await?));
    }
    Ok(out)
}

fn engineers_page(all: &[(String, Standing)]) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { "The hall" }
                link rel="icon" href="data:,";
                link rel="stylesheet" href="/assets/listen.css";
            }
            body {
                main {
                    h1 { "The hall" }
                    p { "How many came, and how far they are. Right and wrong are counted when a test is closed and collected." }
                    @if all.is_empty() { p { "Nothing is published yet: cabjury hall publish." } }
                    @for (test, s) in all {
                        section {
                            h2 { a href={ "/h/" (test) } { "/h/" (test) } @if s.closed { ", closed" } }
                            p { (s.visitors) " visitors, " (s.opened) " trials opened, " (s.picks) " answered, " (s.sounds) " sounds" }
                            table {
                                caption { "Visitors by answered trials" }
                                thead { tr { th scope="col" { "answered" } th scope="col" { "visitors" } } }
                                tbody { @for (answers, people) in &s.answered { tr { td { (answers) } td { (people) } } } }
                            }
                        }
                    }
                }
            }
        }
    }
}
