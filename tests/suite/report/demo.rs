//! The demo: its sound is measured, and the whole of it runs to a report that holds.

use cabjury::jobs::demo::material::{self, Drive};
use cabjury::model::audio::Audio;
use cabjury::sound::write::write_wav24;
use cabjury::trial::Generator;
use cabjury::units::SampleRate;
use std::path::Path;

#[test]
fn write_the_sound_to_look_at() {
    let mut random = Generator::simulated(1);
    let di = material::di(&mut random);
    let d = |sign: f64, v: [f64; 9]| {
        let hz = [40.0, 63.0, 80.0, 100.0, 125.0, 160.0, 500.0, 2000.0, 8000.0];
        hz.iter().zip(v).map(|(f, x)| (*f, sign * x / 2.0)).collect::<Vec<_>>()
    };
    let a = [1.41, 4.29, 5.80, -2.26, -1.74, -0.15, -0.51, -1.26, -1.68];
    let b = [-1.24, -4.47, -9.17, 4.84, 1.65, 0.14, 0.52, 1.27, 1.53];
    let drives =
        [Drive { setup: "s16".into(), a: d(1.0, a), b: d(1.0, b) }, Drive { setup: "p4".into(), a: d(-1.0, a), b: d(-1.0, b) }];
    let takes = material::record(&di, &drives, &[0, 1, 1, 0, 1, 0, 0, 1], &mut random);
    let rate = SampleRate::new(48_000).unwrap();
    let write = |name: &str, x: &[f32]| {
        let path = Path::new("/tmp/demo-look").join(name);
        let _ = std::fs::remove_file(&path);
        write_wav24(&path, &Audio::new(rate, vec![x.to_vec()]).unwrap()).unwrap();
    };
    std::fs::create_dir_all("/tmp/demo-look").unwrap();
    write("di.wav", &di);
    for t in &takes[..4] {
        write(&format!("{}-{}-{}.wav", t.pass, t.setup, t.mic), &t.samples);
    }
}
