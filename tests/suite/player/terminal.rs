//! The terminal page through a pseudo-terminal: a whole session by keys, leaving, Ctrl-C, SIGTERM.

use crate::program::Desk;
use crate::trial_support;
use rustix_openpty::rustix::termios::Winsize;
use std::fs::File;
use std::io::{Read, Write};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

pub(crate) struct Terminal {
    child: Child,
    keys: File,
    screen: Arc<Mutex<vt100::Parser>>,
    closed: Arc<AtomicBool>,
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // A failed test must not leave a player behind.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn cells(n: u16) -> std::num::NonZero<u16> {
    std::num::NonZero::new(n).unwrap()
}

impl Terminal {
    pub(crate) fn open(desk: &Desk, args: &[&str]) -> Self {
        Self::sized(desk, args, 24, 80)
    }

    fn sized(desk: &Desk, args: &[&str], rows: u16, columns: u16) -> Self {
        Self::of(desk.command(args), rows, columns)
    }

    /// Any command line in a terminal of this size.
    pub(crate) fn of(mut command: Command, rows: u16, columns: u16) -> Self {
        let size = Winsize { ws_row: rows, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 };
        let pty = rustix_openpty::openpty(None, Some(&size)).unwrap();
        let user = || Stdio::from(File::from(pty.user.try_clone().unwrap()));
        let child = command.env("TERM", "xterm-256color").stdin(user()).stdout(user()).stderr(user()).spawn().unwrap();
        drop(pty.user);
        let keys = File::from(pty.controller);
        let screen = Arc::new(Mutex::new(vt100::Parser::new(cells(rows), cells(columns), 0)));
        let closed = Arc::new(AtomicBool::new(false));
        let (mut from, to, closing) = (keys.try_clone().unwrap(), Arc::clone(&screen), Arc::clone(&closed));
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            // A pseudo-terminal whose other side is closed ends in an error: that is the end of this thread.
            while let Ok(n) = from.read(&mut buffer) {
                if n == 0 || closing.load(Ordering::Acquire) {
                    break;
                }
                to.lock().unwrap().process(&buffer[..n]);
            }
        });
        Self { child, keys, screen, closed }
    }

    /// Sends the program a signal, as Ctrl-C does.
    pub(crate) fn signal(&self, name: &str) {
        assert!(Command::new("kill").args([name, &self.child.id().to_string()]).status().unwrap().success());
    }

    /// The widest line on the screen.
    pub(crate) fn widest(&self) -> usize {
        let contents = self.screen.lock().unwrap().screen().contents();
        contents.lines().map(|l| l.trim_end().chars().count()).max().unwrap_or(0)
    }

    /// What a person sees, line by line, white space squeezed.
    pub(crate) fn sees(&self) -> String {
        let contents = self.screen.lock().unwrap().screen().contents();
        contents.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    #[track_caller]
    pub(crate) fn waits_for(&self, text: &str) {
        self.waits(Duration::from_secs(90), text);
    }

    #[track_caller]
    pub(crate) fn waits_minutes_for(&self, minutes: u64, text: &str) {
        self.waits(Duration::from_secs(60 * minutes), text);
    }

    #[track_caller]
    fn waits(&self, longest: Duration, text: &str) {
        let since = Instant::now();
        while !self.sees().contains(text) {
            assert!(since.elapsed() < longest, "{text:?} never appeared:\n{}", self.sees());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    pub(crate) fn press(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
        self.keys.flush().unwrap();
    }

    /// Plays every slot until all of them have sounded long enough, then asks to answer. On a busy machine that takes more than one round.
    #[track_caller]
    fn listens_and_answers(&mut self) {
        for _ in 0..60 {
            for key in ["a", "b", "x", " ", "\r"] {
                self.press(key);
                std::thread::sleep(Duration::from_millis(60));
            }
            if self.sees().contains("Your answer?") {
                return;
            }
        }
        panic!("not all slots ever sounded:\n{}", self.sees());
    }

    #[track_caller]
    pub(crate) fn ends(&mut self, code: Option<i32>) {
        let since = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                assert_eq!(status.code(), code, "{}", self.sees());
                return;
            }
            assert!(since.elapsed() < Duration::from_secs(90), "the program does not end:\n{}", self.sees());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Through the caution, then the level.
    fn level(&mut self) {
        self.waits_for("Turn the volume down first.");
        assert!(!self.sees().contains("Noise sounds"), "noise sounds before a key:\n{}", self.sees());
        self.waits_for("Enter: play the noise");
        self.press("\r");
        self.waits_for("Noise sounds");
        self.waits_for("Enter: the level is set");
        self.press("\r");
    }

    /// To the first trial.
    fn begin(&mut self) {
        self.level();
        self.waits_for("Enter: go on");
        self.press("\r");
        self.waits_for("Enter: answer");
    }
}

const LISTEN: [&str; 6] = ["listen", "s", "--listener", "me", "--device", "silent-fastest"];

#[test]
fn a_whole_session_by_keys() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.begin();
    // Answering before everything has sounded is refused.
    terminal.press("\r");
    terminal.waits_for("Listen to A and B and X first.");
    for trial in 1..=4 {
        terminal.listens_and_answers();
        // Reversible until it is confirmed.
        terminal.press("a");
        terminal.waits_for("Your answer: A");
        terminal.press("b");
        std::thread::sleep(Duration::from_millis(120));
        terminal.press("\r");
        if trial < 4 {
            terminal.waits_for(&format!("Trial {} of 4", trial + 1));
        }
    }
    terminal.waits_for("4 of 4 trials answered.");
    terminal.ends(Some(0));
    // Nothing sounded: practice, which closes no test.
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["closed"], false);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!((score["tests"][0]["closed"].as_bool(), score["tests"][0]["practice_only"].as_bool()), (Some(true), Some(true)));
    assert_eq!(score["tests"][0]["simulated_only"], false);
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    let csv = desk.run(&["score", "s", "--csv", "trials.csv"]).ends(0);
    assert!(csv.out.contains("4 trials written"));
    let rows = std::fs::read_to_string(desk.join("trials.csv")).unwrap();
    assert!(rows.lines().skip(1).all(|l| l.contains(",B,")), "{rows}");
}

#[test]
fn training_confidence_remark_and_a_part_of_the_loop() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    desk.run(&["plan", "s", "--compare", "one,two", "--trials", "1", "--training-by-name", "--ask-confidence"]).ends(0);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.level();
    terminal.waits_for("t: hear the setups openly first");
    terminal.press("t");
    terminal.waits_for("1: one");
    terminal.waits_for("2: two");
    terminal.press("12");
    terminal.press("\r");
    terminal.waits_for("Enter: answer");
    terminal.press("e");
    terminal.waits_for("A part needs half a second");
    terminal.press("as");
    terminal.waits_for("The part begins here");
    terminal.press("w");
    terminal.listens_and_answers();
    terminal.press("a");
    terminal.waits_for("Your answer: A");
    terminal.press("\r");
    terminal.waits_for("How sure are you");
    terminal.press("101\r");
    terminal.waits_for("A number from 0 to 100");
    terminal.press("\x7f\x7f\x7f80\r");
    terminal.waits_for("A remark?");
    terminal.press("the low end\r");
    terminal.waits_for("1 of 1 trial answered.");
    terminal.ends(Some(0));
    let session = cabjury::store::Session::open_read(&desk.join("s")).unwrap();
    // Practice is no result: what was said stands in the record of the trial.
    let trials = session.trials(&cabjury::model::ids::TestId::new("test-2").unwrap()).unwrap();
    let said = |t: &cabjury::model::trial::TrialRecord| match &t.state {
        cabjury::model::trial::TrialState::Answered { answer, .. } => (answer.confidence, answer.remark.clone()),
        _ => (None, None),
    };
    assert_eq!(trials.iter().map(said).collect::<Vec<_>>(), [(Some(80), Some("the low end".to_owned()))]);
    let canonical = session.test(&cabjury::model::ids::TestId::new("test-2").unwrap()).unwrap().canonical;
    assert!(canonical.contains("confidence and remark: asked"), "{canonical}");
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn leaving_in_the_middle_voids_the_trial_and_coming_back_goes_on() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.begin();
    terminal.press("aq");
    terminal.waits_for("Leave? This trial will be void");
    terminal.press("y");
    terminal.waits_for("0 of 4 trials answered.");
    terminal.ends(Some(0));
    let mut again = Terminal::open(&desk, &LISTEN);
    again.begin();
    // Ctrl-C.
    again.press("\x03");
    again.waits_for("Come back with the same command");
    again.ends(Some(0));
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!((score["tests"][0]["void"].as_u64(), score["tests"][0]["done"].as_u64()), (Some(2), Some(0)));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

#[test]
fn sigterm_ends_it_like_leaving() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.begin();
    let killed = std::process::Command::new("kill").args(["-TERM", &terminal.child.id().to_string()]).status().unwrap();
    assert!(killed.success());
    terminal.waits_for("Come back with the same command");
    terminal.ends(Some(0));
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!(score["tests"][0]["void"].as_u64(), Some(1), "the open trial was not voided");
}

#[test]
fn a_closed_terminal_ends_it_and_voids_the_trial() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.begin();
    // The reader's copy of the controller has to go too: a last key makes the page answer, which ends the thread's read.
    terminal.closed.store(true, Ordering::Release);
    terminal.press("a");
    terminal.keys = File::open("/dev/null").unwrap();
    let since = Instant::now();
    while terminal.child.try_wait().unwrap().is_none() {
        assert!(since.elapsed() < Duration::from_secs(90), "the program goes on without a terminal");
        std::thread::sleep(Duration::from_millis(20));
    }
    // The lock is free, and whoever writes next finds the open trial and voids it.
    desk.run(&["match", "s"]).ends(0);
    let score = desk.run(&["score", "s", "--json"]).ends(0).json();
    assert_eq!((score["tests"][0]["void"].as_u64(), score["tests"][0]["done"].as_u64()), (Some(1), Some(0)));
}

/// Twelve rows of forty columns: question, pads, place and keys are all in sight, and no word is cut.
#[test]
fn a_small_screen_keeps_the_trial_in_sight() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::sized(&desk, &LISTEN, 12, 40);
    terminal.waits_for("Turn the volume down first.");
    assert!(terminal.sees().contains("More: --cautions"), "{}", terminal.sees());
    terminal.press("\r");
    terminal.waits_for("the level is set");
    terminal.press("\r");
    terminal.waits_for("Enter: go on");
    terminal.press("\r");
    terminal.waits_for("Trial 1 of 4");
    terminal.press("b");
    terminal.waits_for("A [B] X");
    let seen = terminal.sees();
    for text in ["Which is X", "Enter: answer", "q: leave", "of 3.", "s e: begin"] {
        assert!(seen.contains(text), "{text:?} is out of sight: {seen}");
    }
    terminal.press("q");
    terminal.waits_for("Leave?");
    terminal.press("y");
    terminal.ends(Some(0));
}

/// Position, part and length are told; in training what sounds is named as sealed.
#[test]
fn place_part_and_training_are_told() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut slow = LISTEN.to_vec();
    slow[5] = "silent";
    let mut terminal = Terminal::open(&desk, &slow);
    terminal.level();
    terminal.waits_for("t: hear the setups openly first");
    terminal.press("t2");
    terminal.waits_for("2: setup 2 sounds now");
    terminal.press("\r");
    terminal.waits_for("of 3.");
    terminal.press("as");
    terminal.waits_for("part from ");
    std::thread::sleep(Duration::from_millis(900));
    terminal.press("e");
    terminal.waits_for("From the next switch on this part is looped");
    assert!(terminal.sees().contains(" to "), "{}", terminal.sees());
    terminal.press("w");
    terminal.waits_for("the whole is looped");
    assert!(!terminal.sees().contains("part from"), "{}", terminal.sees());
    terminal.press("qy");
    terminal.ends(Some(0));
}

/// Without many words: no instructions, but never without the first caution; all cautions when they are asked for.
#[test]
fn brief_and_all_cautions() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    let mut terminal = Terminal::open(&desk, &[&LISTEN[..], &["--brief", "--cautions"]].concat());
    terminal.waits_for("If your ears ring, stop.");
    terminal.level();
    terminal.waits_for("Trial 1 of 4");
    terminal.press("qy");
    terminal.ends(Some(0));
}

/// Ratings: heard while rating, moved by arrows, kept within 0 to 100.
#[test]
fn ratings_are_moved_by_arrows() {
    let desk = Desk::new();
    trial_support::played_session(&desk, 4);
    desk.run(&["close", "s", "--test", "test-1"]).ends(0);
    desk.run(&["plan", "s", "--compare", "one,two", "--method", "graded", "--reference", "one", "--trials", "1"]).ends(0);
    let mut terminal = Terminal::open(&desk, &LISTEN);
    terminal.begin();
    for _ in 0..60 {
        for key in ["r", "1", "2", "3", "4", " ", "\r"] {
            terminal.press(key);
            std::thread::sleep(Duration::from_millis(60));
        }
        if terminal.sees().contains("left, right: rate") {
            break;
        }
    }
    terminal.waits_for("> ");
    // The first to the top and over, the second down by two steps, the third to nothing and below.
    let (left, right, down) = ("\x1b[D", "\x1b[C", "\x1b[B");
    terminal.press(&right.repeat(12));
    terminal.waits_for("#################### 100");
    terminal.press(down);
    terminal.press(&left.repeat(2));
    terminal.waits_for("######## 40");
    terminal.press(down);
    terminal.press(&left.repeat(12));
    std::thread::sleep(Duration::from_millis(150));
    terminal.press("\r");
    terminal.waits_for("1 of 1 trial answered.");
    terminal.ends(Some(0));
    assert_eq!(desk.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}
