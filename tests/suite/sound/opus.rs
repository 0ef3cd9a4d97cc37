//! Opus against ffmpeg (Debian's, with the reference encoder and decoder of libopus), which writes the streams and decodes them beside ours.

use crate::material;
use crate::program::Desk;
use cabjury::sound::read_all;
use std::process::Command;

const MONO: &str = "aformat=channel_layouts=mono";
const SIX: &str = "aformat=channel_layouts=mono,pan=5.1|FL=c0|FR=c0|FC=c0|LFE=c0|BL=c0|BR=c0";

fn ffmpeg(desk: &Desk, args: &[&str]) {
    let done = Command::new("ffmpeg").args(["-v", "error", "-y"]).args(args).current_dir(desk.path()).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
}

fn level(x: impl Iterator<Item = f32>) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    x.for_each(|v| (sum, n) = (sum + f64::from(v).powi(2), n + 1.0));
    10.0 * (sum / f64::max(n, 1.0)).log10()
}

#[test]
fn opus_is_what_the_reference_decoder_makes_of_it() {
    let desk = Desk::new();
    let riff = material::riff(3.17, 48_000);
    material::write_wav(&desk.join("left.wav"), 48_000, &riff);
    material::write_wav(&desk.join("right.wav"), 48_000, &material::later(&riff, 77));
    let stereo = "[0][1]amerge=inputs=2";
    ffmpeg(
        &desk,
        &["-i", "left.wav", "-i", "right.wav", "-filter_complex", stereo, "-c:a", "libopus", "-b:a", "160k", "two.opus"],
    );
    // 60 ms packets, and speech's coder at a low rate: other branches of the decoder.
    ffmpeg(&desk, &["-i", "left.wav", "-af", MONO, "-c:a", "libopus", "-b:a", "64k", "-frame_duration", "60", "long.opus"]);
    ffmpeg(&desk, &["-i", "left.wav", "-af", MONO, "-c:a", "libopus", "-b:a", "12k", "-application", "voip", "speech.opus"]);
    // Decoders need not agree to the bit (RFC 6716, 6): speech's coder goes through a resampler that each makes for itself.
    for (name, channels, near) in [("two.opus", 2, -60.0), ("long.opus", 1, -60.0), ("speech.opus", 1, -35.0)] {
        ffmpeg(&desk, &["-c:a", "libopus", "-i", name, "-c:a", "pcm_f32le", "theirs.wav"]);
        let (ours, facts) = read_all(&desk.join(name)).unwrap();
        let (theirs, _) = read_all(&desk.join("theirs.wav")).unwrap();
        assert_eq!((facts.format.as_str(), facts.lossy, facts.rate.hz(), facts.channels), ("Opus", true, 48_000, channels));
        assert!(facts.findings.iter().all(|f| f.kind.name() == "lossy"), "{:?}", facts.findings);
        assert_eq!((ours.frames(), ours.channels().len()), (theirs.frames(), theirs.channels().len()), "{name}");
        for (a, b) in ours.channels().iter().zip(theirs.channels()) {
            let off = level(a.iter().zip(b).map(|(a, b)| a - b)) - level(b.iter().copied());
            assert!(off < near, "{name}: {off} dB");
        }
    }
    // More than two channels are refused by name, and a stream that breaks off is told.
    ffmpeg(&desk, &["-i", "left.wav", "-af", SIX, "-c:a", "libopus", "-mapping_family", "1", "six.opus"]);
    let said = desk.run(&["measure", "six.opus", "--json"]).ends(4).json();
    assert_eq!(said["error"]["kind"], "unsupported-coding");
    assert!(said["error"]["message"].as_str().unwrap().contains("Opus of 6 channels"), "{said}");
    let mut bytes = std::fs::read(desk.join("two.opus")).unwrap();
    let half = bytes.len() / 2;
    bytes[half..half + 900].fill(0xA5);
    std::fs::write(desk.join("broken.opus"), bytes).unwrap();
    let broken = desk.run(&["measure", "broken.opus", "--json"]);
    assert!(broken.code == 4 || broken.out.contains("truncated"), "{}", broken.out);
}
