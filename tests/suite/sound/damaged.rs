//! Mutated WAV, FLAC and AIFF files: an error or a reading with findings; no panic, no hang, no large allocation.

use crate::material::{self, Noise};
use cabjury::sound::{read_all, write_wav24};
use std::path::Path;

fn big_endian_aiff(frames: usize) -> Vec<u8> {
    // AIFF: FORM / COMM (channels, frames, bits, rate as 80-bit float) / SSND; layout from memory of Apple's description.
    let mut comm = Vec::new();
    comm.extend(1u16.to_be_bytes());
    comm.extend((frames as u32).to_be_bytes());
    comm.extend(16u16.to_be_bytes());
    comm.extend([0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
    let data: Vec<u8> = (0..frames).flat_map(|n| ((n as i16).wrapping_mul(97)).to_be_bytes()).collect();
    let mut ssnd = vec![0; 8];
    ssnd.extend(data);
    let mut out = Vec::from(*b"FORM");
    out.extend((4 + 8 + comm.len() as u32 + 8 + ssnd.len() as u32).to_be_bytes());
    out.extend(b"AIFFCOMM");
    out.extend((comm.len() as u32).to_be_bytes());
    out.extend(&comm);
    out.extend(b"SSND");
    out.extend((ssnd.len() as u32).to_be_bytes());
    out.extend(ssnd);
    out
}

fn mutate(original: &[u8], noise: &mut Noise) -> Vec<u8> {
    let mut bytes = original.to_vec();
    let pick = |noise: &mut Noise, n: usize| ((noise.next() + 1.0) / 2.0 * n as f64) as usize;
    for _ in 0..=pick(noise, 6) {
        // Headers are hit more often than samples: that is where a reader can go wrong.
        let span = if pick(noise, 3) == 0 { bytes.len() } else { bytes.len().min(120) };
        if span == 0 {
            break;
        }
        let at = pick(noise, span);
        match pick(noise, 4) {
            0 => bytes[at] = pick(noise, 256) as u8,
            1 => bytes[at] ^= 1 << pick(noise, 8),
            2 => bytes.truncate(at),
            _ => {
                let end = (at + 4).min(bytes.len());
                bytes[at..end].fill(if pick(noise, 2) == 0 { 0xFF } else { 0 });
            }
        }
    }
    bytes
}

fn survive(name: &str, original: &[u8], rounds: u64, dir: &Path) -> (u64, u64) {
    let path = dir.join(name);
    let (mut read, mut refused) = (0, 0);
    for seed in 0..rounds {
        std::fs::write(&path, mutate(original, &mut Noise(seed))).unwrap();
        match read_all(&path) {
            Ok((audio, facts)) => {
                assert_eq!(audio.frames() as u64, facts.frames, "{name} seed {seed}");
                // Nothing can hold more frames than it has bytes, compressed silence aside.
                assert!(audio.frames() <= 100_000_000, "{name} seed {seed}: {} frames", audio.frames());
                read += 1;
            }
            Err(error) => {
                assert!(error.to_string().contains(name), "{name} seed {seed}: {error}");
                refused += 1;
            }
        }
    }
    (read, refused)
}

#[test]
fn mutated_files_never_break_the_reader() {
    // Three formats: more than ten thousand files in all.
    let rounds = 3_400;
    let dir = tempfile::tempdir().unwrap();
    let (audio, _) = read_all(&material::recording("guit_harmonics")).unwrap();
    let short: Vec<Vec<f32>> = audio.channels().iter().map(|c| c[..4000].to_vec()).collect();
    let wav = dir.path().join("original.wav");
    write_wav24(&wav, &cabjury::model::audio::Audio::new(audio.rate(), short).unwrap()).unwrap();
    let flac = std::fs::read(material::recording("guit_harmonics")).unwrap();
    // symphonia's decoders may panic; the panic is caught, and its message is not part of this test's output.
    let originals = [("a.wav", std::fs::read(&wav).unwrap()), ("a.flac", flac), ("a.aiff", big_endian_aiff(4000))];
    for (name, original) in originals {
        let (read, refused) = survive(name, &original, rounds, dir.path());
        assert!(read > 0 && refused > 0, "{name}: {read} read, {refused} refused: the mutations do not bite");
    }
}

#[test]
fn aiff_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.aiff");
    std::fs::write(&path, big_endian_aiff(4000)).unwrap();
    let (audio, facts) = read_all(&path).unwrap();
    assert_eq!((facts.format.as_str(), facts.rate.hz(), audio.frames()), ("AIFF", 48_000, 4000));
    assert!((audio.channels()[0][3] - 291.0 / 32_768.0).abs() < 1e-7);
}
