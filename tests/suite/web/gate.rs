//! The desk's doors: what must not be powered is shown with its reason and a field for the engineer's, and no recording of it is taken in.

use super::support::{House, KEY, PORT, cookie, host};
use crate::circuit::SHEET;
use crate::material;
use crate::program::Desk as Folder;
use axum::body::Body;
use axum::http::Request;
use cabjury::model::outside::SystemClock;
use cabjury::testing::desk::Desk;
use cabjury::web::App;

static CLOCK: SystemClock = SystemClock;

fn house(sheet: &str) -> House {
    let folder = Folder::new();
    std::fs::write(folder.join("rig.toml"), sheet).unwrap();
    material::write_wav(&folder.join("a.wav"), 48_000, &material::riff(3.4, 48_000));
    folder.run(&["new", "s", "--sheet", "rig.toml"]);
    let desk = Desk::open(&folder.join("s"), &CLOCK).unwrap();
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], PORT));
    let app = App::new(desk, KEY.to_owned(), address, false, &CLOCK);
    House { folder, app, code: String::new() }
}

async fn upload(h: &House, setup: &str) -> (u16, String) {
    let wav = std::fs::read(h.folder.join("a.wav")).unwrap();
    let request = Request::post(format!("/takes/upload?name=a.wav&setup={setup}&mic=main&pass=1"))
        .header("host", host())
        .header("cookie", cookie(&h.app))
        .body(Body::from(wav))
        .unwrap();
    let said = h.send(request).await;
    (said.status.as_u16(), said.text())
}

#[tokio::test]
async fn a_forbidden_load_is_refused_at_the_desk_until_a_reason_is_typed() {
    let sheet = SHEET.replacen("wiring = \"parallel\"\ntap_ohm = 4", "wiring = \"parallel\"\ntap_ohm = 16", 1);
    assert_ne!(sheet, SHEET);
    let h = house(&sheet);
    let card = h.page("/").await.is(200).text();
    assert!(card.contains("Do not power it") && card.contains("p4 must not be connected"), "{card}");
    // Word and shape, not colour alone.
    assert!(card.contains("\u{2715}</span> DO NOT CONNECT") && card.contains("\u{25cb}</span> matched"), "{card}");
    assert_eq!(card.matches("several hundred volts").count(), 1, "a caution stands once, where the work is");
    assert!(card.contains("cable out of the amplifier"), "{card}");
    let passes = |text: &str| (text.matches("data-setup=\"s16\"").count(), text.matches("data-setup=\"p4\"").count());
    h.form("/runsheet", "takes=4").await.is(303);
    let sheet = h.page("/runsheet").await.is(200).text();
    assert_eq!(passes(&sheet), (4, 0), "{sheet}");
    assert_eq!(sheet.matches('\u{2610}').count(), 4, "a tick box for a forbidden load");
    let (status, said) = upload(&h, "p4").await;
    assert!((400..500).contains(&status) && said.contains("must not be connected"), "{status} {said}");
    h.form("/gate", "setup=p4&reason=+++").await.is(303);
    assert!(h.page("/").await.text().contains("reason is needed"));
    assert_eq!(passes(&h.page("/runsheet").await.text()), (4, 0));
    h.form("/gate", "setup=p4&reason=an+old+habit").await.is(303);
    let card = h.page("/").await.text();
    assert!(card.contains("Reason given: an old habit") && !card.contains("Do not power it"), "{card}");
    assert_eq!(passes(&h.page("/runsheet").await.text()), (4, 4));
    let (status, said) = upload(&h, "p4").await;
    assert_eq!(status, 200, "{said}");
}

#[tokio::test]
async fn a_short_at_the_desk_powers_nothing() {
    let h = house(SHEET);
    h.form("/meter", "wiring=s16&ohm=0.1").await.is(303);
    let said = h.page("/").await.text();
    assert!(said.contains("near 0 ohm is a short: do not power on") && said.contains("last read wrong"), "{said}");
    let (status, said) = upload(&h, "s16").await;
    assert!((400..500).contains(&status) && said.contains("short"), "{status} {said}");
    h.form("/meter", "wiring=s16&ohm=13.2").await.is(303);
    assert_eq!(upload(&h, "s16").await.0, 200);
}
