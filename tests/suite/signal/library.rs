//! Against the `ebur128` crate, a general library, on the four real recordings; and the peak's shortcut against the long way.

use crate::material::{self, RECORDINGS};
use cabjury::model::audio::Audio;
use cabjury::signal::meter::{Meter, measure};
use cabjury::signal::peak::TruePeak;
use cabjury::sound::read_all;
use ebur128::{EbuR128, Mode};

fn library(audio: &Audio) -> (f64, f64, f64) {
    let channels = audio.channels();
    let mut meter = EbuR128::new(channels.len() as u32, audio.rate().hz(), Mode::I | Mode::TRUE_PEAK | Mode::LRA).unwrap();
    let planes: Vec<&[f32]> = channels.iter().map(Vec::as_slice).collect();
    meter.add_frames_planar_f32(&planes).unwrap();
    let peak = (0..channels.len() as u32).map(|c| meter.true_peak(c).unwrap()).fold(0.0, f64::max);
    (meter.loudness_global().unwrap(), 20.0 * peak.log10(), meter.loudness_range().unwrap())
}

#[test]
fn real_recordings_agree_with_the_library() {
    for (name, _) in RECORDINGS {
        let (audio, _) = read_all(&material::recording(name)).unwrap();
        let (found, (loudness, peak, _)) = (measure(&audio), library(&audio));
        // The library leaves the high-pass factor out: 0.0038 dB at 44.1 kHz.
        let error = found.integrated.unwrap().value() - loudness;
        assert!(error.abs() < 0.006, "{name}: loudness {error} LU from the library");
        let error = found.true_peak.unwrap().value() - peak;
        assert!(error.abs() < 0.01, "{name}: true peak {error} dB from the library");
    }
}

#[test]
fn the_peak_shortcut_changes_no_bit() {
    for (name, _) in RECORDINGS {
        let (audio, _) = read_all(&material::recording(name)).unwrap();
        for block in [audio.frames(), 4096, 777] {
            let (mut quick, mut long) = (TruePeak::new(audio.rate()), TruePeak::without_shortcut(audio.rate()));
            for part in audio.channels()[0].chunks(block) {
                quick.push(part);
                long.push(part);
            }
            assert_eq!(quick.peak().to_bits(), long.peak().to_bits(), "{name} in blocks of {block}");
        }
    }
}

#[test]
fn blocks_do_not_change_the_reading() {
    let (audio, _) = read_all(&material::recording("guit_em9")).unwrap();
    let whole = measure(&audio);
    for block in [1, 441, 5000] {
        let mut meter = Meter::new(audio.rate(), audio.channels().len());
        for start in (0..audio.frames()).step_by(block) {
            let end = (start + block).min(audio.frames());
            let part: Vec<&[f32]> = audio.channels().iter().map(|c| &c[start..end]).collect();
            meter.push(&part);
        }
        let found = meter.levels();
        assert!((found.integrated.unwrap().value() - whole.integrated.unwrap().value()).abs() < 1e-9, "blocks of {block}");
        assert_eq!(found.true_peak, whole.true_peak, "blocks of {block}");
    }
}
