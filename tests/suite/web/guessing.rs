//! What dropped recordings are taken for: a table, from the names alone; nothing is kept, and no guess lands on a take that is there.

use super::support::{House, house};
use serde_json::{Value, json};

async fn table(h: &House, body: Value) -> Value {
    let request = axum::http::Request::post("/takes/guess")
        .header("host", super::support::host())
        .header("cookie", super::support::cookie(&h.app))
        .header("origin", format!("http://{}", super::support::host()))
        .header("content-type", "application/json");
    h.send(request.body(axum::body::Body::from(body.to_string())).unwrap()).await.is(200).json()
}

fn rows(table: &Value) -> Vec<(String, Option<String>, Option<u64>, bool)> {
    let text = |v: &Value| v.as_str().map(str::to_owned);
    let row = |r: &Value| (text(&r["file"]).unwrap(), text(&r["setup"]), r["pass"].as_u64(), r["di"].as_bool().unwrap());
    table["rows"].as_array().unwrap().iter().map(row).collect()
}

/// The session of `house` holds two takes of each of "one" and "two": passes 1 and 2 of each.
#[tokio::test]
async fn names_say_setup_and_pass_and_the_rest_is_asked() {
    let h = house(4);
    let found = table(&h, json!({ "names": ["one_take_3.wav", "two_take_4.wav", "DI.wav", "nothing.wav"] })).await;
    assert_eq!(found["setups"], json!(["one", "two"]));
    let rows = rows(&found);
    assert_eq!(rows[0], ("one_take_3.wav".to_owned(), Some("one".to_owned()), Some(3), false));
    assert_eq!(rows[1], ("two_take_4.wav".to_owned(), Some("two".to_owned()), Some(4), false));
    assert_eq!((&rows[2].1, rows[2].3), (&None, true), "a file called DI is the DI");
    assert_eq!((&rows[3].1, rows[3].3), (&None, false), "what no name says is left to the engineer");
}

/// Four takes on one row are four passes, none of which is there already.
#[tokio::test]
async fn four_takes_on_a_row_are_four_passes() {
    let h = house(4);
    let names = ["a.wav", "b.wav", "c.wav", "d.wav"];
    let there = table(&h, json!({ "names": names, "setup": "one", "pass": 1 })).await;
    let passes: Vec<u64> = rows(&there).iter().map(|r| r.2.unwrap()).collect();
    assert_eq!(passes.iter().collect::<std::collections::BTreeSet<_>>().len(), 4, "{passes:?}");
    let taken: Vec<u64> = cabjury::store::Session::open_read(&h.folder.join("s"))
        .unwrap()
        .takes()
        .unwrap()
        .iter()
        .filter(|t| t.setup.as_ref().is_some_and(|s| s.as_str() == "one"))
        .map(|t| u64::from(t.pass))
        .collect();
    assert!(passes.iter().all(|p| !taken.contains(p)), "{passes:?} {taken:?}");
    assert!(rows(&there).iter().all(|r| r.1.as_deref() == Some("one")));
}

/// With an order drawn, the files dropped on a row are that setup's passes in the order, and names that count takes find theirs.
#[tokio::test]
async fn a_drawn_order_says_which_pass_a_take_was() {
    let h = house(4);
    h.form("/runsheet", "takes=4").await.is(303);
    let sheet = cabjury::capture::runsheet::last(&h.folder.join("s"), 1).unwrap().unwrap();
    let drawn: Vec<u64> = sheet.order.iter().filter(|p| p.setup == "two").map(|p| u64::from(p.pass)).collect();
    let found = table(&h, json!({ "names": ["v.wav", "w.wav", "x.wav", "y.wav", "z.wav"], "setup": "two", "pass": 1 })).await;
    let passes: Vec<u64> = rows(&found).iter().map(|row| row.2.unwrap()).collect();
    let records = cabjury::store::Session::open_read(&h.folder.join("s")).unwrap().takes().unwrap();
    let there =
        |pass: &u64| records.iter().any(|t| u64::from(t.pass) == *pass && t.setup.as_ref().is_some_and(|s| s.as_str() == "two"));
    // First those of the sheet that are still open, in its order; what is more than that lies behind the whole sheet.
    let open: Vec<u64> = drawn.iter().filter(|p| !there(p)).copied().collect();
    assert_eq!(passes[..open.len()], open, "{passes:?} {drawn:?}");
    let last = sheet.order.iter().map(|p| u64::from(p.pass)).max().unwrap();
    assert_eq!(passes[open.len()..], (last + 1..).take(5 - open.len()).collect::<Vec<_>>(), "{passes:?} {drawn:?}");
}

/// Before there is any rig the names themselves are the setups.
#[tokio::test]
async fn before_any_sheet_the_names_are_the_setups() {
    let folder = crate::program::Desk::new();
    std::fs::create_dir(folder.join("s")).unwrap();
    static CLOCK: cabjury::model::outside::SystemClock = cabjury::model::outside::SystemClock;
    let desk = cabjury::testing::desk::Desk::open(&folder.join("s"), &CLOCK).unwrap();
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], super::support::PORT));
    let app = cabjury::web::App::new(desk, super::support::KEY.to_owned(), address, false, &CLOCK);
    let h = House { folder, app, code: String::new() };
    let found = table(&h, json!({ "names": ["bright_1.wav", "bright_2.wav", "dark 1.wav", "07.wav", "the-di.wav"] })).await;
    let told: Vec<_> = rows(&found).into_iter().map(|r| (r.1, r.2, r.3)).collect();
    let setup = |name: &str, pass| (Some(name.to_owned()), Some(pass), false);
    assert_eq!(told, [setup("bright", 1), setup("bright", 2), setup("dark", 1), setup("07", 1), (None, None, true)]);
}
