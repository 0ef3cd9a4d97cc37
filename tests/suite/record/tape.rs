//! A WAV that grows is a WAV at every moment.

use cabjury::sound::tape::{SampleForm, Tape};
use cabjury::sound::{SoundError, read_all};
use cabjury::units::SampleRate;

fn ramp(n: usize) -> Vec<f32> {
    (0..n).map(|i| (i as i32 % 4001 - 2000) as f32 / 8192.0).collect()
}

#[test]
fn it_opens_after_every_write_and_holds_what_was_written() {
    let dir = tempfile::tempdir().unwrap();
    let rate = SampleRate::new(48_000).unwrap();
    for (form, name) in [(SampleForm::Int24, "a.wav"), (SampleForm::Float32, "b.wav")] {
        let path = dir.path().join(name);
        let mut tape = Tape::create(&path, rate, form).unwrap();
        let wanted = ramp(10_007);
        let mut done = 0;
        for part in wanted.chunks(997) {
            tape.write(part.iter().copied()).unwrap();
            done += part.len();
            // Nothing was closed: this is what a crash would leave. hound is the general library.
            let reader = hound::WavReader::open(&path).unwrap();
            assert_eq!((reader.len() as usize, reader.spec().sample_rate, reader.spec().channels), (done, 48_000, 1));
            let (audio, facts) = read_all(&path).unwrap();
            assert_eq!(audio.channels()[0], wanted[..done], "{name} at {done}");
            assert!(facts.findings.iter().all(|f| f.kind != cabjury::model::audio::FaultKind::Truncated), "{:?}", facts.findings);
        }
        assert_eq!(tape.finish().unwrap(), path);
        assert_eq!(read_all(&path).unwrap().0.channels()[0], wanted);
        // RIFF (IBM and Microsoft 1991; from memory): the outer size is the file's less 8, chunks are padded to even lengths.
        let bytes = std::fs::read(&path).unwrap();
        let outer = u32::from_le_bytes(bytes[4..8].try_into().unwrap());
        assert_eq!(outer as usize + 8, bytes.len());
    }
}

#[test]
fn a_write_that_was_cut_in_the_middle_leaves_the_frames_before_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cut.wav");
    let mut tape = Tape::create(&path, SampleRate::new(44_100).unwrap(), SampleForm::Int24).unwrap();
    tape.write(ramp(1000).into_iter()).unwrap();
    drop(tape);
    // The samples of the next write have come to the disk in part, its header has not.
    let mut bytes = std::fs::read(&path).unwrap();
    bytes.extend_from_slice(&[0x11; 1234]);
    std::fs::write(&path, bytes).unwrap();
    let (audio, _) = read_all(&path).unwrap();
    assert_eq!(audio.channels()[0], ramp(1000));
    assert_eq!(hound::WavReader::open(&path).unwrap().len(), 1000);
}

#[test]
fn nothing_is_overwritten() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.wav");
    std::fs::write(&path, "somebody's only copy").unwrap();
    let error = Tape::create(&path, SampleRate::new(48_000).unwrap(), SampleForm::Int24).unwrap_err();
    assert!(matches!(error, SoundError::Exists { .. }), "{error}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody's only copy");
}
