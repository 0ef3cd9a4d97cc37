//! A real device at both ends: ALSA through a sound server of the test's own, whose output comes back as its input.

use super::Sitter;
use crate::material;
use crate::program::Desk;
use cabjury::store::Session;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Two setups about which nothing is known: no reading can be asked for.
const SHEET: &str = "[[setup]]\nname = \"one\"\n\n[[setup]]\nname = \"two\"\n";

/// A sound server with one output that nobody hears, and that output's monitor as its input.
struct Server {
    child: Child,
    socket: PathBuf,
    alsa: PathBuf,
}

impl Server {
    fn start(desk: &Desk) -> Self {
        let (home, socket, alsa) = (desk.join("home"), desk.join("native"), desk.join("asound.conf"));
        std::fs::create_dir_all(home.join(".config/pulse")).unwrap();
        let rates = "default-sample-rate = 48000\nalternate-sample-rate = 48000\ndefault-sample-format = float32le\n";
        std::fs::write(home.join(".config/pulse/daemon.conf"), rates).unwrap();
        let modules = format!(
            "load-module module-native-protocol-unix auth-anonymous=1 socket={}\n\
             load-module module-null-sink sink_name=null rate=48000 channels=2 format=float32le\nset-default-sink null\n",
            socket.display()
        );
        std::fs::write(home.join("default.pa"), modules).unwrap();
        let server = format!("server \"unix:{}\"", socket.display());
        let conf = format!(
            "pcm.out {{ type pulse {server} device \"null\" }}\npcm.in {{ type pulse {server} device \"null.monitor\" }}\n\
             pcm.default {{ type asym playback.pcm \"out\" capture.pcm \"in\" }}\n"
        );
        std::fs::write(&alsa, conf).unwrap();
        let child = Command::new("pulseaudio")
            .args(["--exit-idle-time=-1", "-n", "--disable-shm=yes", "-F"])
            .arg(home.join("default.pa"))
            .env("HOME", &home)
            .env("XDG_RUNTIME_DIR", &home)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|e| panic!("pulseaudio: {e}. Run tests/run once: it installs it"));
        let mut server = Self { child, socket, alsa };
        server.is_up();
        server
    }

    fn is_up(&mut self) {
        let since = Instant::now();
        while !self.socket.exists() {
            assert!(since.elapsed() < Duration::from_secs(30), "the sound server does not start");
            assert!(self.child.try_wait().unwrap().is_none(), "the sound server has ended");
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn record(&self, desk: &Desk, more: &[&str]) -> Sitter {
        let mut command = desk.command(&["record", "s", "--mic", "1=main", "--warm-up", "0", "--count-in", "0.5", "--plain"]);
        command.args(more).env("ALSA_CONFIG_PATH", &self.alsa).env("HOME", desk.join("home"));
        command.env("XDG_RUNTIME_DIR", desk.join("home"));
        Sitter::new(command)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn session(desk: &Desk, seconds: f64) -> Vec<f32> {
    std::fs::write(desk.join("rig.toml"), SHEET).unwrap();
    let di = material::noisy(&material::riff(seconds, 48_000), -80.0, 7);
    material::write_wav(&desk.join("di.wav"), 48_000, &di);
    desk.run(&["new", "s", "--sheet", "rig.toml"]).ends(0);
    desk.run(&["take", "s", "di.wav", "--di"]).ends(0);
    cabjury::sound::read_all(&desk.join("di.wav")).unwrap().0.channels()[0].clone()
}

/// Goes on with the level at full scale, where what is played is what the file holds.
fn full_scale(sitter: &mut Sitter, seen: &super::Seen) -> bool {
    let setting = seen.has("The DI plays: set the levels");
    if setting {
        sitter.types(if seen.has("Output at 0") || seen.has("Output at -0") { "" } else { "+" });
    }
    setting
}

#[test]
fn what_is_recorded_is_what_was_played_to_the_sample() {
    let minutes: f64 = std::env::var("CABJURY_MINUTES").ok().and_then(|m| m.parse().ok()).unwrap_or(0.08);
    let desk = Desk::new();
    let di = session(&desk, 60.0 * minutes);
    let server = Server::start(&desk);
    let mut sitter = server.record(&desk, &["--takes", "1"]);
    sitter.goes_on(&mut full_scale);
    let said = sitter.ends(0);
    // A busy machine may cost a pass or two, and then says so; what was kept has to be exact.
    // Through an exact loop the second can be the first to the last bit: then it says that it was not stored.
    let stored = if said.contains("Not stored: it is to the last bit") { 1 } else { 2 };
    assert!(said.contains(["1 pass kept", "2 passes kept"][stored - 1]), "{said}");
    let takes = Session::open_read(&desk.join("s")).unwrap().takes().unwrap();
    let kept: Vec<_> = takes.iter().filter(|t| t.setup.is_some() && t.withdrawn.is_none()).collect();
    assert_eq!(kept.len(), stored);
    for take in kept {
        assert!(!take.notes.contains_key("simulated"));
        let (audio, facts) = cabjury::sound::read_all(&desk.join("s").join(&take.path)).unwrap();
        assert_eq!((facts.bits, facts.rate.hz()), (Some(24), 48_000));
        let x = &audio.channels()[0];
        let needle = &di[30_000..30_256];
        let at = x.windows(256).position(|w| w == needle).expect("not a stretch of the DI came back bit by bit");
        let from = at - 30_000;
        let same = x[from..].iter().zip(&di).take_while(|(a, b)| a.to_bits() == b.to_bits()).count();
        assert_eq!(same, di.len(), "it is exact up to frame {same} of {}", di.len());
        // The counts place it: what is left is the way through the server's buffers.
        let placed: i64 = take.notes["di-at-frame"].parse().unwrap();
        let late = from as i64 - placed;
        assert!((0..96_000).contains(&late), "the DI lies {late} frames behind where the counts put it");
    }
}

#[test]
fn a_server_that_goes_away_voids_the_pass_and_comes_back() {
    let desk = Desk::new();
    session(&desk, 4.0);
    let mut server = Server::start(&desk);
    let mut sitter = server.record(&desk, &["--takes", "1"]);
    let (mut gone, mut lost) = (false, false);
    sitter.goes_on(&mut |sitter, seen| {
        if seen.has("stop at once") && !gone {
            gone = true;
            std::thread::sleep(Duration::from_millis(1_500));
            server.child.kill().unwrap();
            server.child.wait().unwrap();
            let _ = std::fs::remove_file(&server.socket);
            return true;
        }
        if seen.has("The pass is void") && !lost {
            lost = true;
            assert!(seen.has("lost") || seen.has("ran"), "{seen:?}");
            server = Server::start(&desk);
        }
        full_scale(sitter, seen)
    });
    let said = sitter.ends(0);
    // Through an exact loop the second pass can be the first to the last bit: then it says that it was not stored.
    assert!(lost && (said.contains("2 passes kept") || said.contains("Not stored: it is to the last bit")), "{said}");
}
