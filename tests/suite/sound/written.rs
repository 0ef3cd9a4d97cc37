//! What is written is what was meant, and never over something.

use crate::material;
use cabjury::model::audio::{Audio, FaultKind};
use cabjury::model::explain::Explain;
use cabjury::sound::{SoundError, read_all, stream, write_wav24};
use cabjury::units::SampleRate;

fn audio(frames: usize) -> Audio {
    let rate = SampleRate::new(48_000).unwrap();
    let step = |n: usize| (n as f32 * 37.0 % 4096.0 - 2048.0) / 4096.0;
    Audio::new(rate, vec![(0..frames).map(step).collect(), (0..frames).map(|n| -step(n)).collect()]).unwrap()
}

#[test]
fn a_clip_comes_back_bit_by_bit() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("clip.wav");
    let wrote = audio(100_003);
    write_wav24(&path, &wrote).unwrap();
    let (back, facts) = read_all(&path).unwrap();
    assert_eq!(back, wrote);
    assert_eq!((facts.bits, facts.frames, facts.format.as_str()), (Some(24), 100_003, "WAV, PCM"));
    // The general library reads the same.
    let mut reader = hound::WavReader::open(&path).unwrap();
    let interleaved: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    assert!(interleaved.chunks(2).zip(wrote.channels()[0].iter()).all(|(f, w)| f[0] == (w * 8_388_608.0) as i32));
    let left: Vec<_> = std::fs::read_dir(dir.path()).unwrap().collect();
    assert_eq!(left.len(), 1, "a temporary file was left behind");
}

#[test]
fn nothing_is_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("clip.wav");
    std::fs::write(&path, "somebody's only copy").unwrap();
    let error = write_wav24(&path, &audio(10)).unwrap_err();
    assert!(matches!(error, SoundError::Exists { .. }), "{error}");
    assert_eq!(error.fate().exit_code(), 3);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody's only copy");
}

#[test]
fn real_flac_recordings_decode_and_hash() {
    for (name, sha256) in material::RECORDINGS {
        let path = material::recording(name);
        let (audio, facts) = read_all(&path).unwrap();
        assert_eq!(
            (facts.rate.hz(), facts.bits, facts.format.as_str(), facts.lossy),
            (44_100, Some(16), "FLAC", false),
            "{name}"
        );
        assert_eq!(facts.sha256.as_str(), sha256);
        // 16-bit material stays on the 16-bit grid, and it is no silence.
        assert!(audio.channels().iter().flatten().all(|s| (s * 32_768.0).fract() == 0.0), "{name}");
        assert!(audio.channels()[0].iter().any(|s| s.abs() > 0.1), "{name}");
    }
}

#[test]
fn blocks_and_whole_are_the_same() {
    let path = material::recording("guit_em9");
    let (whole, facts) = read_all(&path).unwrap();
    let mut at = 0;
    let streamed = stream(&path, &mut |head, block| {
        assert_eq!(usize::from(head.channels), whole.channels().len());
        let n = block[0].len();
        assert_eq!(block[0], whole.channels()[0][at..at + n]);
        at += n;
    })
    .unwrap();
    assert_eq!((at as u64, &streamed), (facts.frames, &facts));
}

#[test]
fn missing_empty_and_folders_are_named() {
    let dir = tempfile::tempdir().unwrap();
    let empty = dir.path().join("empty.wav");
    std::fs::write(&empty, "").unwrap();
    for (path, kind) in [(dir.path().join("no.wav"), "missing-file"), (empty, "empty-file"), (dir.path().to_owned(), "not-audio")]
    {
        let error = read_all(&path).unwrap_err();
        assert_eq!((error.kind(), error.fate().exit_code(), error.path()), (kind, 4, Some(path.as_path())));
    }
}

#[test]
fn a_file_cut_short_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("clip.wav");
    write_wav24(&path, &audio(1000)).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let cut = dir.path().join("cut.wav");
    std::fs::write(&cut, &bytes[..bytes.len() - 601]).unwrap();
    let (audio, facts) = read_all(&cut).unwrap();
    assert_eq!(audio.frames(), 899);
    assert!(facts.findings.iter().any(|f| f.kind == FaultKind::Truncated), "{:?}", facts.findings);
}
