//! The tool records at the desk: a whole evening through the page's addresses at the simulated rig, what is stopped, what is refused, and that
//! listeners go on meanwhile.

use super::support::{Answer, House, KEY, PORT, asked, open};
use crate::program::Desk as Folder;
use cabjury::model::outside::SystemClock;
use cabjury::model::session::Take;
use cabjury::store::Session;
use cabjury::testing::desk::Desk;
use cabjury::web::App;
use serde_json::Value;
use std::time::Duration;

static CLOCK: SystemClock = SystemClock;
/// The sheet that the demo ships: two unlike drivers, series on 16 ohm and parallel on 4 ohm, a mic on each cone.
const SHEET: &str = include_str!("../../../sessions/demo-rig.toml");
/// The form as it is filled in for the simulated rig.
const FORM: &str = "input=&reamp_output=&loop_back=&input-close-a=1&input-close-b=2&count_in=0.5&tail=0.5&warm_up=0";
/// Between two looks at what goes by itself.
const PAUSE: Duration = Duration::from_millis(20);

/// Readings that fit the sheet: 6.5 + 6.9 ohm of coil in series, and in parallel 1/(1/6.5 + 1/6.9).
fn reading(now: &Value) -> &'static str {
    if now["title"].as_str().unwrap().ends_with("s16") { "13.4" } else { "3.35" }
}

fn house(sheet: &str) -> House {
    let folder = Folder::new();
    std::fs::write(folder.join("rig.toml"), sheet).unwrap();
    folder.run(&["new", "s", "--sheet", "rig.toml"]);
    let desk = Desk::open(&folder.join("s"), &CLOCK).unwrap();
    let app = App::new(desk, KEY.to_owned(), ([127, 0, 0, 1], PORT).into(), false, &CLOCK);
    House { folder, app, code: String::new() }
}

impl House {
    async fn record(&self, device: &str, more: &str) -> Answer {
        self.form("/record/open", &format!("output={device}&{FORM}&{more}")).await.is(303)
    }

    async fn now(&self) -> Value {
        self.page("/record/state").await.is(200).json()
    }

    async fn press(&self, now: &Value, key: &str) {
        self.form("/record/press", &format!("step={}&press={}", now["step"], key.replace('+', "%2B"))).await.is(303);
    }

    async fn reads(&self, now: &Value, ohm: &str) {
        self.form("/record/press", &format!("step={}&press=Enter&reads=1&ohm={ohm}", now["step"])).await.is(303);
    }

    /// Goes on as a careful person does until a stage is reached, or nothing is left.
    async fn until(&self, stage: &str) -> Value {
        loop {
            let now = self.now().await;
            let at = now["stage"].as_str().unwrap_or_else(|| panic!("{now}")).to_owned();
            if at == stage || at == "done" {
                return now;
            }
            self.goes_on(&now).await;
        }
    }

    async fn goes_on(&self, now: &Value) {
        match now["stage"].as_str().unwrap() {
            "warm-up" | "rolling" => tokio::time::sleep(PAUSE).await,
            "reading" => self.reads(now, reading(now)).await,
            "level" if now["sounds"] == true && !now["body"][0].as_str().unwrap().contains("-18 dBFS") => {
                self.press(now, "+").await;
            }
            _ => self.press(now, "Enter").await,
        }
    }

    /// Takes of setups.
    fn takes(&self) -> Vec<Take> {
        let all = Session::open_read(&self.folder.join("s")).unwrap().takes().unwrap();
        all.into_iter().filter(|t| t.setup.is_some()).collect()
    }

    fn recording(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.folder.join("s/recording")).unwrap();
        entries.map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect()
    }

    async fn leaves(&self) -> String {
        self.form("/record/press", "press=leave").await.is(303);
        while self.now().await["state"] != "none" {
            tokio::time::sleep(PAUSE).await;
        }
        self.page("/record").await.is(200).text()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_evening_with_a_wrong_reading_a_stop_and_a_pass_done_again() {
    let h = house(SHEET);
    let page = h.page("/runsheet").await.is(200).text();
    assert!(page.contains("Record here"), "{page}");
    let page = h.page("/record").await.is(200).text();
    assert!(page.contains("by the computer on which the desk runs") && page.contains("There is no DI yet"), "{page}");
    // Pass 4 is the second of its setup, whatever the order: a gain that moves there shows.
    h.record("simulated-fastest", "takes=2&damage=4%3Dgain").await;
    let now = h.now().await;
    assert_eq!((&now["stage"], &now["sounds"]), (&"cautions".into(), &false.into()), "{now}");
    assert!(now["body"].to_string().contains("Never run a valve amplifier without its load"), "{now}");

    let now = h.until("change").await;
    assert!(now["large"].to_string().contains("power off"), "{now}");
    let now = h.until("reading").await;
    // A driver was left out: half of what was expected.
    h.reads(&now, "6.6").await;
    let now = h.now().await;
    assert_eq!(now["stage"], "reading");
    assert!(now["body"].to_string().contains("NOT read as intended: leave the amplifier off"), "{now}");
    h.reads(&now, "a+lot").await;
    assert!(h.page("/record").await.text().contains("ohms, as in 13.2"));
    assert_eq!(h.now().await["stage"], "reading");

    let level = h.until("level").await;
    assert!(level["sounds"] == false && level["body"].to_string().contains("Output at -30 dBFS"), "{level}");
    h.press(&level, "Enter").await;
    let sounding = h.now().await;
    assert_eq!(sounding["sounds"], true, "{sounding}");
    assert!(!sounding["meters"][0]["advice"].as_str().unwrap().is_empty(), "{sounding}");
    // The same press of a page that was not drawn anew: taken for what now stands there it would fix the gains unheard.
    h.press(&level, "Enter").await;
    assert_eq!(h.now().await["stage"], "level");

    let ready = h.until("ready").await;
    h.press(&ready, "Enter").await;
    let rolling = h.now().await;
    assert_eq!((&rolling["stage"], &rolling["sounds"]), (&"rolling".into(), &true.into()), "{rolling}");
    // A stop of whatever page.
    h.form("/record/press", "step=1&press=Esc").await.is(303);
    let now = h.until("void").await;
    assert!(now["body"].to_string().contains("it was stopped") && now["sounds"] == false, "{now}");
    assert_eq!(h.recording(), [""; 0], "something half was left");
    assert_eq!(h.takes(), []);

    let now = h.until("judged").await;
    assert!(now["body"].to_string().contains("a preamp's gain was moved"), "{now}");
    let page = h.page("/record").await.text();
    assert!(page.contains("Keep it all the same") && page.contains("dB against its earlier takes"), "{page}");
    let now = h.until("done").await;
    assert_eq!(now["left"], 0);
    let outcomes: Vec<_> = now["passes"].as_array().unwrap().iter().map(|p| p["outcome"].as_str().unwrap()).collect();
    assert_eq!(outcomes, ["void", "kept", "kept", "kept", "again", "kept"]);
    let page = h.leaves().await;
    assert!(page.contains("4 passes kept, 1 played again, 1 void; 0 are left."), "{page}");

    let (used, withdrawn): (Vec<Take>, Vec<Take>) = h.takes().into_iter().partition(|t| t.withdrawn.is_none());
    let order = h.folder.run(&["runsheet", "s", "--json"]).ends(0).json();
    let mut expected: Vec<(u64, String, String)> = Vec::new();
    for pass in order["order"].as_array().unwrap() {
        for mic in ["close-a", "close-b"] {
            expected.push((pass["pass"].as_u64().unwrap(), pass["setup"].as_str().unwrap().to_owned(), mic.to_owned()));
        }
    }
    let mut found: Vec<_> =
        used.iter().map(|t| (u64::from(t.pass), t.setup.as_ref().unwrap().to_string(), t.mic.to_string())).collect();
    found.sort();
    assert_eq!(found, expected);
    assert!(
        withdrawn.len() == 2 && withdrawn.iter().all(|t| t.pass == 4 && t.withdrawn.as_ref().unwrap().contains("gain was moved"))
    );
    assert!(used.iter().chain(&withdrawn).all(|t| t.notes.contains_key("simulated")));
    h.app.desk.stop();
    assert_eq!(h.folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
    // Kept as the terminal keeps it.
    let kept = Session::open_read(&h.folder.join("s")).unwrap().rig().unwrap().audio.unwrap();
    assert_eq!((kept.output.as_deref(), kept.mics.len(), kept.loop_back), (Some("simulated-fastest"), 2, None));
}

/// A listener is in a trial, and is answered while a pass is recorded; the takes come in all the same.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn listeners_go_on_while_a_pass_is_recorded() {
    let h = house(SHEET);
    h.record("simulated-fastest", "takes=1").await;
    h.until("done").await;
    h.leaves().await;
    h.app.desk.stop();
    h.folder.run(&["match", "s", "--excerpt", "part=1-3"]).ends(0);
    h.folder.run(&["plan", "s", "--compare", "s16,p4", "--mic", "close-a", "--trials", "8"]).ends(0);
    for take in h.takes().iter().filter(|t| t.pass == 2) {
        h.folder.run(&["withdraw", "s", "--take", take.id.as_str(), "--reason", "a cable fell out"]).ends(0);
    }
    let (app, code) = open(&h.folder, "ann");
    let h = House { folder: h.folder, app, code };
    let trial = h.post(&h.at("/trials"), "").await.is(201).json();
    h.record("simulated-fastest", "seed=2").await;
    assert_eq!(h.now().await["left"], 1);
    let ready = h.until("ready").await;
    h.press(&ready, "Enter").await;
    h.hears(&trial).await;
    let pick = h.at(&format!("/trials/{}/pick", trial["trial"].as_str().unwrap()));
    h.post(&pick, r#"{"choice":"A"}"#).await.is(200);
    // The next one is open when the pass ends and becomes takes.
    h.post(&h.at("/trials"), "").await.is(201);
    h.until("done").await;
    assert_eq!(h.get(&h.at("")).await.is(200).json()["phase"], "trial");
    h.leaves().await;
    assert_eq!(h.takes().iter().filter(|t| t.withdrawn.is_none()).count(), 4);
    h.app.desk.stop();
    assert_eq!(h.folder.run(&["audit", "s", "--json"]).ends(0).json()["ok"], true);
}

/// The page is closed in mid-pass: it says nothing any more, and nobody could stop what sounds.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_that_is_gone_stops_the_pass_and_leaves_nothing_half() {
    let h = house(SHEET);
    h.record("simulated", "takes=1").await;
    let ready = h.until("ready").await;
    h.form("/record/press", &format!("step={}&press=Enter&live=1", ready["step"])).await.is(303);
    assert_eq!(h.now().await["stage"], "rolling");
    let now = loop {
        let now = h.now().await;
        if now["stage"] != "rolling" {
            break now;
        }
        tokio::time::sleep(PAUSE).await;
    };
    assert_eq!((&now["stage"], &now["sounds"]), (&"void".into(), &false.into()), "{now}");
    assert!(now["said"].to_string().contains("Nobody was at the page"), "{now}");
    assert_eq!((h.recording(), h.takes()), (Vec::new(), Vec::new()));
    h.leaves().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_recording_at_a_time_for_the_engineer_alone() {
    let h = house(SHEET);
    for path in ["/record", "/record/state", "/record/live", "/record/step"] {
        h.get(path).await.is(403);
    }
    for path in ["/record/open", "/record/press", "/record/here"] {
        h.send(asked("POST", path, Some("application/x-www-form-urlencoded"), "press=Enter")).await.is(403);
    }
    h.record("simulated-fastest", "takes=1").await;
    assert_eq!(h.now().await["state"], "open");
    h.record("simulated-fastest", "takes=1").await;
    assert!(h.page("/record").await.text().contains("recording is under way at this desk"));
    assert_eq!(h.now().await["state"], "open");
    let said = h.folder.run(&["record", "s", "--device", "simulated-fastest", "--takes", "1", "--json"]).ends(3).json();
    assert_eq!(said["error"]["kind"], "recording-already", "{said}");
    h.leaves().await;
    // Once it is left, the terminal may; the desk is perhaps still writing the last word of its own.
    let mut tries = 0;
    let said = loop {
        let said = h.folder.run(&["record", "s", "--device", "simulated-fastest", "--takes", "1"]);
        tries += 1;
        if said.code != 1 || tries == 50 {
            break said;
        }
        tokio::time::sleep(PAUSE).await;
    };
    said.ends(0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_is_refused_and_shown_again_as_it_was_typed() {
    let h = house(SHEET);
    for (device, more, words) in [
        ("simulated", "loop_back=1", "given twice"),
        ("simulated", "loop_back=x", "is not the number of a channel"),
        ("simulated", "warm_up=4000", "warm-up cannot be"),
        ("simulated", "count_in=0", "count-in lasts"),
        ("simulated", "damage=1%3Dfire", "is not one of"),
        ("", "damage=1%3Dhum", "for the simulated rig alone"),
        ("no+such+thing", "", "no output device"),
    ] {
        // The first of a name counts in a form that is read into a map; so what is wrong comes alone.
        let form: Vec<&str> = FORM.split('&').filter(|f| !more.starts_with(f.split('=').next().unwrap())).collect();
        h.form("/record/open", &format!("output={device}&{}&takes=1&{more}", form.join("&"))).await.is(303);
        let page = h.page("/record").await.is(200).text();
        assert!(page.contains(words) && page.contains("flash bad"), "{more}: {page}");
        assert_eq!(h.now().await["state"], "none");
    }
    let sheet = SHEET.replace("wiring = \"parallel\"\ntap_ohm = 4", "wiring = \"parallel\"\ntap_ohm = 16");
    assert_ne!(sheet, SHEET);
    let h = house(&sheet);
    h.record("simulated-fastest", "takes=1").await;
    let page = h.page("/record").await.is(200).text();
    assert!(page.contains("must not be connected"), "{page}");
    assert_eq!(h.now().await["state"], "none");
    assert!(!h.folder.join("s/recording").exists(), "something was begun all the same");
}
