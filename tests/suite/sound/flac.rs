//! FLAC that we write, read back bit by bit by `claxon`, a general decoder that checks every frame's checksums, and by our own reader
//! (symphonia).

use crate::material::Noise;
use cabjury::model::audio::Audio;
use cabjury::sound::flac::write_flac24;
use cabjury::units::SampleRate;
use proptest::prelude::*;

fn round_trip(planes: &[Vec<i32>], rate: u32) -> u64 {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.flac");
    let floats = planes.iter().map(|p| p.iter().map(|v| *v as f32 / 8_388_608.0).collect()).collect();
    write_flac24(&path, &Audio::new(SampleRate::new(rate).unwrap(), floats).unwrap()).unwrap();
    let mut reader = claxon::FlacReader::open(&path).unwrap();
    let info = reader.streaminfo();
    assert_eq!((info.sample_rate, info.channels as usize, info.bits_per_sample), (rate, planes.len(), 24));
    assert_eq!(info.samples, Some(planes[0].len() as u64));
    let wanted: Vec<i32> = (0..planes[0].len()).flat_map(|i| planes.iter().map(move |p| p[i])).collect();
    let found: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    assert!(found == wanted, "other samples came back");
    let bytes: Vec<u8> = wanted.iter().flat_map(|v| v.to_le_bytes()[..3].to_vec()).collect();
    assert_eq!(info.md5sum, <[u8; 16]>::from(<md5::Md5 as md5::Digest>::digest(&bytes)));
    let (back, _) = cabjury::sound::read_all(&path).unwrap();
    assert!(back.channels().iter().zip(planes).all(|(b, p)| b.iter().zip(p).all(|(b, p)| (b * 8_388_608.0) as i32 == *p)));
    std::fs::metadata(&path).unwrap().len()
}

#[test]
fn extremes_come_back_bit_by_bit() {
    let (low, high) = (-8_388_608, 8_388_607);
    let mut noise = Noise(3);
    let mut random = |n: usize, share: f64| -> Vec<i32> { (0..n).map(|_| (noise.next() * share * 8_388_607.0) as i32).collect() };
    let loud = random(20_000, 1.0);
    // Noise cannot be compressed, but it is never blown up either: a few bytes for each frame.
    assert!(round_trip(std::slice::from_ref(&loud), 48_000) < 3 * 20_000 + 5 * 20 + 100);
    let quiet = random(20_000, 0.001);
    assert!(round_trip(std::slice::from_ref(&quiet), 48_000) < 2 * 20_000);
    round_trip(&[vec![0; 9000]], 44_100);
    round_trip(&[(0..9001).map(|i| if i % 2 == 0 { low } else { high }).collect()], 96_000);
    round_trip(&[vec![low; 4096], loud[..4096].to_vec()], 48_000);
    for n in [1, 2, 3, 4, 5, 15, 16, 17, 4095, 4096, 4097, 8192] {
        round_trip(&[loud[..n].to_vec(), quiet[..n].to_vec()], 48_000);
    }
    let sine: Vec<i32> = (0..48_000).map(|i| (8_000_000.0 * (f64::from(i) * 0.01).sin()) as i32).collect();
    assert!(round_trip(std::slice::from_ref(&sine), 48_000) < 48_000 * 3 / 2);
    // More than 127 frames: their numbers take two bytes and more.
    round_trip(&[random(4096 * 140 + 7, 0.01)], 48_000);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    #[test]
    fn any_samples_come_back(
        channels in 1usize..4,
        samples in proptest::collection::vec(-8_388_608i32..=8_388_607, 1..6000),
        shift in 0u32..20,
    ) {
        let planes: Vec<Vec<i32>> = (0..channels).map(|c| samples.iter().map(|v| v >> (shift + c as u32).min(22)).collect()).collect();
        round_trip(&planes, 48_000);
    }
}
