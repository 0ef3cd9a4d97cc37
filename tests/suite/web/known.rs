//! Known-difference controls as they reach a listener: one file against itself, and nothing but its level differs.

use super::support::{House, open};
use crate::program::Desk as Folder;
use crate::trial::plans::rewired_session;

fn samples(bytes: Vec<u8>) -> Vec<f64> {
    let mut reader = hound::WavReader::new(std::io::Cursor::new(bytes)).unwrap();
    reader.samples::<i32>().map(|s| f64::from(s.unwrap())).collect()
}

/// By how much the second is louder, in dB, where it is the first at another level and nothing else; none where they differ otherwise.
fn louder(a: &[f64], b: &[f64]) -> Option<f64> {
    let (mut aa, mut ab, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        aa += x * x;
        ab += x * y;
        bb += y * y;
    }
    // What is left of the second after the first was taken out of it: dither, or another take.
    let left = (bb - ab * ab / aa) / bb;
    (left < 1e-7).then(|| 20.0 * (ab / aa).log10())
}

#[tokio::test]
async fn known_differences_reach_the_listener_as_a_level() {
    let folder = Folder::new();
    rewired_session(&folder, 4);
    let plan = ["plan", "s", "--compare", "one,two", "--trials", "1", "--controls", "known=40", "--known-db", "2"];
    let doc = folder.run(&[&plan[..], &["--json"]].concat()).ends(0).json();
    assert_eq!((doc["controls"]["known"].as_u64(), doc["known_db"].as_f64()), (Some(40), Some(2.0)));
    let (app, code) = open(&folder, "ann");
    let h = House { folder, app, code };
    let mut found = Vec::new();
    for _ in 0..8 {
        let trial = h.post(&h.at("/trials"), "").await.is(201).json();
        let mut heard = Vec::new();
        for slot in trial["slots"].as_array().unwrap() {
            heard.push(samples(h.get(slot["audio"].as_str().unwrap()).await.is(200).body));
        }
        for (i, a) in heard.iter().enumerate() {
            found.extend(heard[i + 1..].iter().filter_map(|b| louder(a, b)));
        }
        let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
        h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
    }
    // At least seven of the eight are controls: two of their three pairs differ by 2 dB, one is alike.
    assert!(found.iter().filter(|d| (d.abs() - 2.0).abs() < 0.01).count() >= 14, "{found:?}");
    assert!(found.iter().filter(|d| d.abs() < 0.01).count() >= 7, "{found:?}");
    assert!(found.iter().all(|d| d.abs() < 0.01 || (d.abs() - 2.0).abs() < 0.01), "{found:?}");
}
