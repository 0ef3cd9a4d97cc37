//! Wave64 and AU, built by hand as their layouts are (compared with files that ffmpeg 5.1 wrote; layouts otherwise from memory).

use cabjury::model::audio::FaultKind;
use cabjury::sound::wave64::unwrapped;
use cabjury::sound::{SoundError, read_all};
use std::path::PathBuf;

fn written(dir: &tempfile::TempDir, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

const GUID: [u8; 12] = *b"\xf3\xac\xd3\x11\x8c\xd1\0\xc0\x4f\x8e\xdb\x8a";

fn chunk(id: &[u8; 4], body: &[u8], stated: Option<u64>) -> Vec<u8> {
    let mut out = Vec::from(*id);
    out.extend(GUID);
    out.extend(stated.unwrap_or(24 + body.len() as u64).to_le_bytes());
    out.extend(body);
    while out.len() % 8 != 0 {
        out.push(0);
    }
    out
}

/// 24 bits, stereo, 48 kHz, an odd chunk in front of the audio.
fn wave64(data: &[u8], stated: Option<u64>) -> Vec<u8> {
    let mut format = Vec::new();
    format.extend(1u16.to_le_bytes());
    format.extend(2u16.to_le_bytes());
    format.extend(48_000u32.to_le_bytes());
    format.extend((48_000u32 * 6).to_le_bytes());
    format.extend(6u16.to_le_bytes());
    format.extend(24u16.to_le_bytes());
    let body = [chunk(b"fmt ", &format, None), chunk(b"junk", &[1, 2, 3], None), chunk(b"data", data, stated)].concat();
    let mut out = Vec::from(*b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0");
    out.extend((40 + body.len() as u64).to_le_bytes());
    out.extend(b"wave");
    out.extend(GUID);
    out.extend(body);
    out
}

#[test]
fn wave64_is_read_bit_by_bit() {
    let dir = tempfile::tempdir().unwrap();
    let values: Vec<i32> = (0..2000).map(|n: i32| (n * 7919) % 8_388_607 - 4_000_000).collect();
    let data: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()[..3].to_vec()).collect();
    let (audio, facts) = read_all(&written(&dir, "a.w64", &wave64(&data, None))).unwrap();
    assert_eq!((facts.format.as_str(), facts.bits, facts.channels, facts.frames), ("Wave64, PCM", Some(24), 2, 1000));
    assert!(facts.findings.is_empty(), "{:?}", facts.findings);
    for (n, pair) in values.chunks(2).enumerate() {
        assert_eq!(
            [audio.channels()[0][n], audio.channels()[1][n]],
            [pair[0] as f32 / 8_388_608.0, pair[1] as f32 / 8_388_608.0]
        );
    }
    let (_, facts) = read_all(&written(&dir, "cut.w64", &wave64(&data, Some(24 + 9000)))).unwrap();
    assert_eq!(facts.findings[0].kind, FaultKind::Truncated);
    let mut other = wave64(&data, None);
    other[30] ^= 1;
    assert!(matches!(read_all(&written(&dir, "b.w64", &other)), Err(SoundError::NotAudio { .. })));
    assert!(read_all(&written(&dir, "c.w64", &wave64(&data, Some(3)))).is_err(), "a chunk smaller than its head");
}

fn au(coding: u32, channels: u32, data: &[u8], stated: u32) -> Vec<u8> {
    let head = [u32::from_be_bytes(*b".snd"), 32, stated, coding, 44_100, channels, 0, 0];
    head.iter().flat_map(|v| v.to_be_bytes()).chain(data.iter().copied()).collect()
}

#[test]
fn au_is_read_bit_by_bit() {
    let dir = tempfile::tempdir().unwrap();
    let x: Vec<f64> = (0..500).map(|n| (f64::from(n) * 0.1).sin() * 0.9).collect();
    let whole = |scale: f64| x.iter().map(move |v| (v * scale).round() as i32).collect::<Vec<_>>();
    let cut =
        |values: Vec<i32>, bytes: usize| values.iter().flat_map(|v| v.to_be_bytes()[4 - bytes..].to_vec()).collect::<Vec<u8>>();
    let cases: Vec<(u32, Vec<u8>, f32)> = vec![
        (2, cut(whole(128.0), 1), 1.0 / 128.0),
        (3, cut(whole(32_768.0), 2), 1e-4),
        (4, cut(whole(8_388_608.0), 3), 1e-6),
        (5, cut(whole(2_147_483_647.0), 4), 1e-6),
        (6, x.iter().flat_map(|v| (*v as f32).to_be_bytes()).collect(), 0.0),
        (7, x.iter().flat_map(|v| v.to_be_bytes()).collect(), 0.0),
    ];
    for (coding, data, off) in cases {
        for stated in [data.len() as u32, u32::MAX] {
            let (audio, facts) = read_all(&written(&dir, "a.au", &au(coding, 1, &data, stated))).unwrap();
            assert_eq!((facts.rate.hz(), facts.frames, facts.findings.len()), (44_100, 500, 0), "coding {coding}");
            assert!(audio.channels()[0].iter().zip(&x).all(|(a, b)| (a - *b as f32).abs() <= off), "coding {coding}");
        }
    }
    let (_, facts) = read_all(&written(&dir, "b.au", &au(3, 2, &[0; 802], 2000))).unwrap();
    assert_eq!((facts.frames, facts.findings[0].kind), (200, FaultKind::Truncated));
    assert!(matches!(read_all(&written(&dir, "c.au", &au(1, 1, &[0; 80], 80))), Err(SoundError::Coding { .. })), "mu-law");
    assert!(read_all(&written(&dir, "d.au", &au(3, 0, &[0; 80], 80))).is_err());
    assert!(read_all(&written(&dir, "e.au", b".snd\0\0")).is_err());
}

#[test]
fn a_size_that_wrapped_once_or_twice() {
    let gib = 1u64 << 30;
    assert_eq!(unwrapped(1000, 1000), 1000);
    assert_eq!(unwrapped(1000, 3 * gib), 1000, "other chunks follow");
    assert_eq!(unwrapped(gib, 5 * gib + 60), 5 * gib);
    assert_eq!(unwrapped(gib, 9 * gib + 60), 9 * gib);
    assert_eq!(unwrapped(5000, 100), 5000, "cut short");
}
