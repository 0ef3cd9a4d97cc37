//! Montages measured as files: places to the sample, gaps, loudness by the `ebur128` crate, FLAC by the `claxon` crate, captions by the
//! `subtp` crate (general libraries all three).

use crate::material;
use crate::program::Desk;
use crate::trial_support::{matched_session, played_session};
use cabjury::model::ids::{ClipId, SetupName};
use cabjury::trial::{Generator, montage_key};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::path::Path;

fn samples(path: &Path) -> (hound::WavSpec, Vec<i32>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    (spec, reader.samples::<i32>().map(Result::unwrap).collect())
}

fn clips(desk: &Desk) -> Vec<Value> {
    let text = std::fs::read(desk.join("s/session.db")).unwrap();
    assert!(!text.is_empty());
    desk.run(&["match", "s", "--json"]).ends(0).json()["clips"].as_array().unwrap().clone()
}

#[test]
fn clips_lie_where_the_document_says_and_are_the_clips_themselves() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let clips = clips(&desk);
    let doc = desk.run(&["montage", "s", "--order", "two,one", "--out", "m", "--json"]).ends(0).json();
    let (spec, whole) = samples(&desk.join("m/montage.wav"));
    assert_eq!((spec.bits_per_sample, spec.sample_rate, spec.channels), (24, 48_000, 1));
    let segments = doc["segments"].as_array().unwrap();
    let setups: Vec<&str> = segments.iter().map(|s| s["setup"].as_str().unwrap()).collect();
    assert_eq!(setups, ["two", "one"]);
    let mut end = None;
    for segment in segments {
        let place = |key: &str| (segment[key].as_f64().unwrap() * 48_000.0).round() as usize;
        let (start, stop) = (place("start_s"), place("end_s"));
        if let Some(last) = end {
            assert_eq!(start - last, 24_000, "the gap is 0.5 s");
            assert!(whole[last..start].iter().all(|v| *v == 0), "the gap is silent");
        }
        end = Some(stop);
        let clip = clips.iter().find(|c| c["setup"] == segment["setup"]).unwrap();
        let (_, own) = samples(&desk.join("s").join(clip["path"].as_str().unwrap()));
        assert_eq!(own, whole[start..stop], "{segment}");
    }
    assert_eq!(end, Some(whole.len()));
    // The same sound as FLAC, its checksum of the whole included.
    let mut reader = claxon::FlacReader::open(desk.join("m/montage.flac")).unwrap();
    let info = reader.streaminfo();
    assert_eq!((info.bits_per_sample, info.sample_rate, info.samples), (24, 48_000, Some(whole.len() as u64)));
    let digest = info.md5sum;
    let decoded: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    assert!(decoded == whole, "FLAC and WAV differ");
    assert_ne!(digest, [0; 16]);
    // Nothing is overwritten.
    let said = desk.run(&["montage", "s", "--out", "m", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "exists-already");
    assert_eq!(samples(&desk.join("m/montage.wav")).1.len(), whole.len());
}

#[test]
fn captions_are_read_by_a_general_parser_and_agree_with_the_frames() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let doc = desk.run(&["montage", "s", "--blind", "--clips", "5", "--out", "m", "--json"]).ends(0).json();
    let read = |name: &str| std::fs::read_to_string(desk.join("m").join(name)).unwrap();
    let segments = doc["segments"].as_array().unwrap();
    let ms = |value: &Value| (value.as_f64().unwrap() * 1000.0).round() as u64;
    let vtt = subtp::vtt::WebVtt::parse(&read("captions.vtt")).unwrap();
    let cues: Vec<_> = vtt
        .blocks
        .iter()
        .filter_map(|b| match b {
            subtp::vtt::VttBlock::Que(cue) => Some(cue),
            _ => None,
        })
        .collect();
    assert_eq!(cues.len(), segments.len());
    let time = |t: &subtp::vtt::VttTimestamp| {
        ((u64::from(t.hours) * 60 + u64::from(t.minutes)) * 60 + u64::from(t.seconds)) * 1000 + u64::from(t.milliseconds)
    };
    for (cue, segment) in cues.iter().zip(segments) {
        assert_eq!(cue.payload[0], segment["label"].as_str().unwrap());
        assert_eq!((time(&cue.timings.start), time(&cue.timings.end)), (ms(&segment["start_s"]), ms(&segment["end_s"])));
    }
    let commitment = doc["commitment_sha256"].as_str().unwrap();
    // Whole in a note; everybody sees the digits of the log in which it stands.
    assert!(read("captions.vtt").contains(&format!("SHA-256 of nonce and key: {commitment}")));
    let digits = doc["fingerprint"].as_str().unwrap().rsplit(' ').next().unwrap();
    assert!(digits.len() == 20 && cues[0].payload[1].contains(digits), "{:?}", cues[0].payload);
    for cue in &cues {
        assert!(cue.payload.len() <= 2 && cue.payload.iter().all(|l| l.chars().count() <= 37), "{:?}", cue.payload);
    }
    let srt = subtp::srt::SubRip::parse(&read("captions.srt")).unwrap();
    assert_eq!(srt.subtitles.len(), segments.len());
    let srt_ms = |t: &subtp::srt::SrtTimestamp| {
        ((u64::from(t.hours) * 60 + u64::from(t.minutes)) * 60 + u64::from(t.seconds)) * 1000 + u64::from(t.milliseconds)
    };
    for (n, (title, segment)) in srt.subtitles.iter().zip(segments).enumerate() {
        assert_eq!((title.sequence as usize, srt_ms(&title.start)), (n + 1, ms(&segment["start_s"])));
    }
    subtp::vtt::WebVtt::parse(&read("chapters.vtt")).unwrap();
    let links = read("chapter-times.txt");
    assert!(links.starts_with("0:00 one, main\n0:03 two, main\n0:07 clip 1\n"), "{links}");
}

#[test]
fn a_blind_montage_tells_nothing_until_it_is_revealed_and_then_opens_its_commitment() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let all = clips(&desk);
    let doc = desk.run(&["montage", "s", "--blind", "--clips", "6", "--out", "m", "--json"]).ends(0).json();
    assert_eq!(doc["montage"], "montage-1");
    assert!((doc["least_p"].as_f64().unwrap() - 0.5f64.powi(6)).abs() < 1e-15);
    for segment in &doc["segments"].as_array().unwrap()[2..] {
        assert_eq!(segment["setup"], Value::Null);
        assert!(segment["label"].as_str().unwrap().starts_with("clip "));
    }
    // No file but the sound itself depends on the key: names of setups stand in the named clips' lines alone.
    for name in ["captions.vtt", "captions.srt", "chapters.vtt", "cue-sheet.csv"] {
        let text = std::fs::read_to_string(desk.join("m").join(name)).unwrap();
        let named = text.lines().filter(|l| l.contains("one") || l.contains("two")).count();
        assert_eq!(named, 2, "{name}: {text}");
    }
    let log = desk.run(&["audit", "s", "--json"]).ends(0).json();
    assert_eq!(log["ok"], true);
    let shown = desk.run(&["montage", "s", "--reveal", "montage-1", "--json"]).ends(0).json();
    let nonce = shown["nonce"].as_str().unwrap();
    let bytes: Vec<u8> = (0..64).step_by(2).map(|i| u8::from_str_radix(&nonce[i..i + 2], 16).unwrap()).collect();
    let mut hashed = b"cabjury montage 1\n".to_vec();
    hashed.extend(bytes);
    hashed.extend(shown["key_text"].as_str().unwrap().bytes());
    let digest: String = Sha256::digest(&hashed).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(digest, doc["commitment_sha256"].as_str().unwrap());
    // The key is what sounds: each numbered stretch is the clip that the key names, and never the file that was named first.
    let (_, whole) = samples(&desk.join("m/montage.wav"));
    let key = shown["key"].as_array().unwrap();
    for (drawn, segment) in key.iter().zip(&shown["segments"].as_array().unwrap()[2..]) {
        assert_eq!(drawn["setup"], segment["setup"]);
        let clip = all.iter().find(|c| c["clip"] == drawn["clip"]).unwrap();
        let (_, own) = samples(&desk.join("s").join(clip["path"].as_str().unwrap()));
        let start = (segment["start_s"].as_f64().unwrap() * 48_000.0).round() as usize;
        // Dither adds less than a step before the rounding: the sound of that clip to the last step or the one beside it.
        let nearest = own.iter().zip(&whole[start..]).all(|(a, b)| (a - b).abs() <= 1);
        assert!(nearest, "{clip}");
        assert!(clip["take"] == "t003" || clip["take"] == "t004", "{clip}");
    }
    let again = desk.run(&["montage", "s", "--reveal", "montage-1", "--json"]).ends(0).json();
    assert_eq!(again["key"], shown["key"]);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// The stretches of a montage's numbered clips, as bytes would tell them apart.
fn numbered(desk: &Desk, doc: &Value) -> Vec<Vec<i32>> {
    let (_, whole) = samples(&desk.join("m/montage.wav"));
    let frame = |v: &Value| (v.as_f64().unwrap() * 48_000.0).round() as usize;
    let all = doc["segments"].as_array().unwrap().iter().filter(|s| s["setup"].is_null());
    all.map(|s| whole[frame(&s["start_s"])..frame(&s["end_s"])].to_vec()).collect()
}

#[test]
fn equal_bytes_of_a_blind_montage_give_no_key_away() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let doc = desk.run(&["montage", "s", "--blind", "--clips", "8", "--out", "m", "--json"]).ends(0).json();
    let clips = numbered(&desk, &doc);
    // Eight clips of two takes: some are of one take, and no two are the same bytes.
    for (i, one) in clips.iter().enumerate() {
        assert!(clips[..i].iter().all(|other| other != one), "clip {} repeats", i + 1);
    }
    let shown = desk.run(&["montage", "s", "--reveal", "montage-1", "--json"]).ends(0).json();
    let takes: std::collections::BTreeSet<&str> =
        shown["key"].as_array().unwrap().iter().map(|d| d["clip"].as_str().unwrap()).collect();
    assert!(takes.len() < clips.len());
}

#[test]
fn the_key_is_in_no_record_and_in_no_bundle_before_it_is_revealed() {
    let desk = Desk::new();
    played_session(&desk, 8);
    desk.run(&["montage", "s", "--blind", "--clips", "8", "--out", "m"]).ends(0);
    let path = desk.join("s/keys/montage-1.key");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&path).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
    let (nonce, text) = (file["nonce"].as_str().unwrap(), file["key_text"].as_str().unwrap());
    let holds = |place: &Path, what: &str| {
        let bytes = std::fs::read(place).unwrap();
        // As it stands, and as it stands within another text of JSON.
        [what.to_owned(), what.replace('"', "\\\"")].iter().any(|w| bytes.windows(w.len()).any(|b| b == w.as_bytes()))
    };
    desk.run(&["bundle", "s", "--out", "b.zip"]).ends(0);
    let everywhere = ["s/session.db", "s/session.db-wal", "b.zip", "m/captions.vtt", "m/cue-sheet.csv"];
    for place in everywhere.map(|p| desk.join(p)).iter().filter(|p| p.exists()) {
        assert!(!holds(place, nonce) && !holds(place, text), "{}", place.display());
    }
    // Who was given the bundle can audit it, and can neither count nor reveal.
    desk.run(&["unbundle", "b.zip", "other"]).ends(0);
    let doc = desk.run(&["audit", "other", "--json"]).ends(0).json();
    assert_eq!(doc["remarks"][0]["where"], "montage-1", "{doc:#}");
    let said = desk.run(&["montage", "other", "--reveal", "montage-1", "--json"]).ends(4).json();
    assert_eq!(said["error"]["kind"], "key-away");
    assert!(said["error"]["path"].as_str().unwrap().ends_with("keys/montage-1.key"));
    // Another key in its place opens nothing, and the audit says so.
    std::fs::write(&path, file.to_string().replace("\\\"one", "\\\"two")).unwrap();
    let doc = desk.run(&["audit", "s", "--json"]).ends(4).json();
    assert_eq!(doc["problems"][0]["where"], "montage-1", "{doc:#}");
    std::fs::write(&path, file.to_string()).unwrap();
    desk.run(&["montage", "s", "--reveal", "montage-1"]).ends(0);
    assert!(
        holds(&desk.join("s/session.db"), nonce) || holds(&desk.join("s/session.db-wal"), nonce),
        "what is searched is found"
    );
    // Once it is revealed the file is not needed any more.
    std::fs::remove_file(&path).unwrap();
    desk.run(&["montage", "s", "--reveal", "montage-1"]).ends(0);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn one_common_gain_reaches_the_loudness_that_was_asked_for() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let doc = desk.run(&["montage", "s", "--loudness", "-23", "--rate", "44100", "--out", "m", "--json"]).ends(0).json();
    let (spec, whole) = samples(&desk.join("m/montage.wav"));
    assert_eq!(spec.sample_rate, 44_100);
    let mut meter = ebur128::EbuR128::new(1, 44_100, ebur128::Mode::I | ebur128::Mode::TRUE_PEAK).unwrap();
    let floats: Vec<f32> = whole.iter().map(|v| *v as f32 / 8_388_608.0).collect();
    meter.add_frames_f32(&floats).unwrap();
    assert!((meter.loudness_global().unwrap() + 23.0).abs() < 0.05, "{}", meter.loudness_global().unwrap());
    assert!((doc["integrated_lufs"].as_f64().unwrap() + 23.0).abs() < 0.05);
    // Where the ceiling forbids it, the ceiling wins and it is said.
    let said = desk.run(&["montage", "s", "--loudness", "-5", "--out", "loud", "--json"]).ends(0);
    assert!(said.err.contains("true peak"), "{}", said.err);
    assert!(said.json()["true_peak_dbtp"].as_f64().unwrap() < -0.9);
}

#[test]
fn raw_level_takes_each_clips_own_gain_back() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let clips = clips(&desk);
    let doc = desk.run(&["montage", "s", "--raw-level", "--out", "m", "--json"]).ends(0).json();
    let (_, whole) = samples(&desk.join("m/montage.wav"));
    let common = doc["common_gain_db"].as_f64().unwrap();
    for segment in doc["segments"].as_array().unwrap() {
        let clip = clips.iter().find(|c| c["setup"] == segment["setup"]).unwrap();
        let (_, own) = samples(&desk.join("s").join(clip["path"].as_str().unwrap()));
        let start = (segment["start_s"].as_f64().unwrap() * 48_000.0).round() as usize;
        let energy = |x: &[i32]| 10.0 * x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>().log10();
        let gained = energy(&whole[start..start + own.len()]) - energy(&own);
        assert!((gained - (common - clip["gain_db"].as_f64().unwrap())).abs() < 0.001, "{gained} {clip}");
    }
}

/// Chi-square at 1e-6 over 20 000 keys: 2 setups x 4 fresh takes, and neighbours (critical values of SciPy 1.15, from memory of its
/// `chi2.isf(1e-6, df)`: df 7: 40.52, df 3: 30.66).
#[test]
fn every_numbered_clip_is_a_fair_draw_of_its_own() {
    let setup = |n: &str| SetupName::new(n).unwrap();
    let ids = |from: usize| (from..from + 5).map(|i| ClipId::new(&format!("c{i:03}")).unwrap()).collect::<Vec<_>>();
    let pool = [(setup("one"), ids(1)), (setup("two"), ids(6))];
    let named = [pool[0].1[0].clone(), pool[1].1[0].clone()];
    let mut random = Generator::simulated(20_261_126);
    let (mut by_clip, mut pairs) = (std::collections::BTreeMap::new(), [0u32; 4]);
    for _ in 0..20_000 {
        let key = montage_key::draw(&pool, &named, 2, &mut random);
        let drawn = key.drawn();
        let place = |i: usize| usize::from(drawn[i].setup.as_str() == "two");
        pairs[place(0) * 2 + place(1)] += 1;
        for d in drawn {
            assert!(!named.contains(&d.clip));
            *by_clip.entry(d.clip.to_string()).or_insert(0u32) += 1;
        }
    }
    let chi = |counts: &[u32]| {
        let mean = f64::from(counts.iter().sum::<u32>()) / counts.len() as f64;
        counts.iter().map(|c| (f64::from(*c) - mean).powi(2) / mean).sum::<f64>()
    };
    let counts: Vec<u32> = by_clip.values().copied().collect();
    assert_eq!(counts.len(), 8);
    assert!(chi(&counts) < 40.52, "{counts:?}");
    assert!(chi(&pairs) < 30.66, "{pairs:?}");
}

/// What ffmpeg (Debian's) says and does: `tests/run` installs it.
fn ffmpeg(args: &[&str], within: &Path) -> String {
    let out = std::process::Command::new("ffmpeg")
        .args(["-hide_banner", "-nostdin", "-y"])
        .args(args)
        .current_dir(within)
        .output()
        .expect("ffmpeg is needed: tests/run installs it");
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.success(), "ffmpeg {args:?}: {said}");
    said
}

/// Chapters as ffprobe reads them: start, end, title.
fn chapters(file: &str, within: &Path) -> Vec<(f64, f64, String)> {
    let out = std::process::Command::new("ffprobe")
        .args(["-v", "error", "-show_chapters", "-of", "json", file])
        .current_dir(within)
        .output()
        .expect("ffprobe is needed: tests/run installs it");
    let doc: Value = serde_json::from_slice(&out.stdout).unwrap();
    let seconds = |v: &Value| v.as_str().unwrap().parse::<f64>().unwrap();
    let chapter =
        |c: &Value| (seconds(&c["start_time"]), seconds(&c["end_time"]), c["tags"]["title"].as_str().unwrap().to_owned());
    doc["chapters"].as_array().unwrap().iter().map(chapter).collect()
}

#[test]
fn common_encoders_take_the_sound_and_chapters_survive_them() {
    let desk = Desk::new();
    matched_session(&desk);
    let doc = desk.run(&["montage", "s", "--out", "m", "--video", "--json"]).ends(0).json();
    let within = desk.join("m");
    // One channel is front centre, 0x4 (Microsoft, WAVEFORMATEXTENSIBLE): encoders refuse a lone front left.
    let bytes = std::fs::read(within.join("montage.wav")).unwrap();
    assert_eq!((&bytes[12..16], &bytes[40..44]), (&b"fmt "[..], &[4, 0, 0, 0][..]));
    assert_eq!(
        u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize,
        bytes.len() - 8,
        "the head says how long the file is"
    );
    let said = ffmpeg(&["-i", "montage.wav", "-f", "null", "-"], &within);
    assert!(said.contains("mono") && said.contains("cabjury"), "title and origin are read: {said}");
    // Chapters of an Ogg file: ffmpeg 5.1 rounds whole seconds up where it should cut them (seen here: 3.9 s becomes 4.9 s).
    for (codec, file, off) in [("aac", "out.m4a", 0.002), ("libopus", "out.opus", 1.002)] {
        ffmpeg(
            &["-i", "montage.wav", "-i", "chapters.ffmetadata", "-map_metadata", "1", "-map_chapters", "1", "-c:a", codec, file],
            &within,
        );
        let found = chapters(file, &within);
        let segments = doc["segments"].as_array().unwrap();
        assert_eq!(found.len(), segments.len(), "{file}");
        for ((start, _, title), segment) in found.iter().zip(segments) {
            assert!((start - segment["start_s"].as_f64().unwrap()).abs() < off, "{file}: {start}");
            assert_eq!(title, segment["label"].as_str().unwrap(), "{file}");
        }
        // And back: as long as it was, but for a codec's frame.
        ffmpeg(&["-i", file, "back.wav"], &within);
        let mut reader = hound::WavReader::open(within.join("back.wav")).unwrap();
        let seconds = f64::from(reader.duration()) / f64::from(reader.spec().sample_rate);
        let was = segments.last().unwrap()["end_s"].as_f64().unwrap();
        assert!((seconds - was).abs() < 0.1, "{file}: {seconds} s of {was} s");
        assert!(reader.samples::<i32>().map(Result::unwrap).any(|v| v.abs() > 500), "{file} is silent");
    }
    // The pictures last as long as the sound.
    let list = std::fs::read_to_string(within.join("pictures.ffconcat")).unwrap();
    let shown: f64 = list.lines().filter_map(|l| l.strip_prefix("duration ")?.parse::<f64>().ok()).sum();
    assert!((shown - doc["segments"].as_array().unwrap().last().unwrap()["end_s"].as_f64().unwrap()).abs() < 1e-3, "{list}");
    ffmpeg(&["-f", "concat", "-i", "pictures.ffconcat", "-vf", "scale=192:108,fps=5", "-f", "null", "-"], &within);
}

#[test]
fn two_channels_are_left_and_right() {
    use cabjury::sound::write::wav24_bytes;
    let rate = cabjury::units::SampleRate::new(48_000).unwrap();
    let audio = cabjury::model::audio::Audio::new(rate, vec![vec![0.1; 48], vec![-0.1; 48]]).unwrap();
    let bytes = wav24_bytes(&audio).unwrap();
    // Front left 0x1 and front right 0x2 (Microsoft, WAVEFORMATEXTENSIBLE).
    assert_eq!(&bytes[40..44], &[3, 0, 0, 0]);
    let mut reader = hound::WavReader::new(std::io::Cursor::new(bytes)).unwrap();
    assert_eq!(reader.samples::<i32>().count(), 96);
}

/// The box of what is not black in a grey frame: left, right, first and last row.
fn lit(frame: &[u8], wide: usize) -> [usize; 4] {
    let mut out = [usize::MAX, 0, usize::MAX, 0];
    for (i, _) in frame.iter().enumerate().filter(|(_, v)| **v > 60) {
        let (x, y) = (i % wide, i / wide);
        out = [out[0].min(x), out[1].max(x), out[2].min(y), out[3].max(y)];
    }
    out
}

/// Captions burned into an upright video by ffmpeg (libass) with the program's own typeface: nothing leaves the frame, and in letters of a
/// size that phones show well (46 px of 1920) every caption keeps the two lines that it was written in.
#[test]
fn captions_stay_inside_an_upright_video() {
    let desk = Desk::new();
    played_session(&desk, 8);
    let doc = desk.run(&["montage", "s", "--blind", "--clips", "3", "--out", "m", "--json"]).ends(0).json();
    let (within, (wide, high)) = (desk.join("m"), (1080, 1920));
    let fonts = format!("{}/src/paint/font", env!("CARGO_MANIFEST_DIR"));
    for (style, lines) in [("FontName=Inter", None), ("FontName=Inter,FontSize=7,WrapStyle=2", Some(2))] {
        for segment in doc["segments"].as_array().unwrap() {
            let at = f64::midpoint(segment["start_s"].as_f64().unwrap(), segment["end_s"].as_f64().unwrap());
            let filter = format!("subtitles=captions.srt:fontsdir={fonts}:force_style='{style}',trim=start={at}");
            let length = format!("color=black:s={wide}x{high}:d={}:r=5", at + 1.0);
            let said = ffmpeg(
                &["-f", "lavfi", "-i", &length, "-vf", &filter, "-frames:v", "1", "-pix_fmt", "gray", "-f", "rawvideo", "out"],
                &within,
            );
            assert!(said.contains("(Inter, 400, 0) -> Inter-Regular"), "another typeface was taken: {said}");
            let frame = std::fs::read(within.join("out")).unwrap();
            assert_eq!(frame.len(), wide * high);
            let [left, right, top, bottom] = lit(&frame, wide);
            assert!(left >= 10 && right < wide - 10 && top > 10 && bottom < high - 10, "{style}: {left} {right} {top} {bottom}");
            if let Some(lines) = lines {
                // A line is 7 of 288 parts of the height, and half of that more between two.
                assert!(bottom - top < lines * high * 7 / 288, "{style}: {top} to {bottom}");
            }
        }
    }
}

/// Two mics, one 6 dB below the other: said as a step, or brought to one loudness on request (measured by the reference library ebur128).
#[test]
fn mics_are_levelled_on_request_and_their_step_is_said_without() {
    let desk = Desk::new();
    two_mics(&desk);
    let loudness = |doc: &Value, out: &str| -> Vec<(String, f64)> {
        let (_, whole) = samples(&desk.join(out).join("montage.wav"));
        let of = |s: &Value| {
            let frame = |key: &str| (s[key].as_f64().unwrap() * 48_000.0).round() as usize;
            let own: Vec<f32> = whole[frame("start_s")..frame("end_s")].iter().map(|v| *v as f32 / 8_388_608.0).collect();
            let mut meter = ebur128::EbuR128::new(1, 48_000, ebur128::Mode::I).unwrap();
            meter.add_frames_f32(&own).unwrap();
            (s["mic"].as_str().unwrap().to_owned(), meter.loudness_global().unwrap())
        };
        doc["segments"].as_array().unwrap().iter().map(of).collect()
    };
    let spread = |all: &[(String, f64)]| {
        all.iter().map(|l| l.1).fold(f64::MIN, f64::max) - all.iter().map(|l| l.1).fold(f64::MAX, f64::min)
    };
    let plain = desk.run(&["montage", "s", "--out", "plain", "--json"]).ends(0);
    assert!(plain.err.contains("loudness steps from mic to mic") && plain.err.contains("--level-mics"), "{}", plain.err);
    let heard = loudness(&plain.json(), "plain");
    assert!(heard.iter().any(|l| l.0 == "far") && heard.iter().any(|l| l.0 == "near"), "{heard:?}");
    assert!((spread(&heard) - 6.0).abs() < 0.3, "{heard:?}");
    let levelled = desk.run(&["montage", "s", "--level-mics", "--out", "levelled", "--json"]).ends(0);
    assert!(!levelled.err.contains("loudness steps"), "{}", levelled.err);
    let heard = loudness(&levelled.json(), "levelled");
    assert!(spread(&heard) < 0.15, "{heard:?}");
}

/// Two setups of two passes by two mics.
fn two_mics(desk: &Desk) {
    let rate = 48_000;
    let di = material::riff(3.4, rate);
    let setups =
        [("one", material::peaking(&di, rate, 120.0, 1.0, 3.0)), ("two", material::peaking(&di, rate, 2_500.0, 0.7, 3.0))];
    let sheet = "[session]\ntitle = \"Two mics\"\n\n[[setup]]\nname = \"one\"\n\n[[setup]]\nname = \"two\"\n\n[[mic]]\nname = \"near\"\n\n[[mic]]\nname = \"far\"\n";
    std::fs::write(desk.join("sheet.toml"), sheet).unwrap();
    desk.run(&["new", "s", "--sheet", "sheet.toml"]).ends(0);
    for pass in 1..=4_i64 {
        let (setup, sound) = &setups[usize::from(pass % 2 == 0)];
        for (mic, gain) in [("near", 0.0), ("far", -6.0)] {
            let name = format!("{setup}-{mic}-{pass}.wav");
            let own = material::noisy(&material::later(&material::gain(sound, gain), pass * 7), -80.0 + gain, pass as u64);
            material::write_wav(&desk.join(&name), rate, &own);
            desk.run(&["take", "s", &name, "--setup", setup, "--mic", mic, "--pass", &pass.to_string()]).ends(0);
        }
    }
    desk.run(&["match", "s"]).ends(0);
}
