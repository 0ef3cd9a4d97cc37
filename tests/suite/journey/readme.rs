//! README and guide: their console examples are run, page by page and line by line, in the order in which a reader meets them; their links lead
//! somewhere.

use crate::material;
use crate::program::Desk;
use crate::trial_support::answers_all;
use std::path::{Path, PathBuf};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn page(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

/// The `$ cabjury ...` lines of a page, split as a shell would.
fn commands(name: &str) -> Vec<Vec<String>> {
    page(name).lines().filter_map(|l| l.trim_start().strip_prefix("$ cabjury ")).map(words).collect()
}

fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.push(std::mem::take(&mut word)),
            _ => word.push(c),
        }
    }
    words.push(word);
    words
}

/// The files that the examples name.
fn lay_out(desk: &Desk) {
    let rate = 48_000;
    let di = material::riff(6.0, rate);
    let amp: Vec<f64> = di.iter().map(|v| 0.4 * (4.0 * v).tanh()).collect();
    material::write_wav(&desk.join("di.wav"), rate, &di);
    let series = material::peaking(&amp, rate, 100.0, 2.0, 3.0);
    let parallel = material::peaking(&amp, rate, 3000.0, 0.7, 2.0);
    for (name, sound, lag, seed) in [
        ("series", &series, 40, 1),
        ("parallel", &parallel, 900, 2),
        ("s16-1", &series, 12, 3),
        ("s16-2", &series, 480, 4),
        ("p4-1", &parallel, 77, 5),
        ("p4-2", &parallel, 0, 6),
    ] {
        let take = material::noisy(&material::later(sound, lag), -85.0, seed);
        material::write_wav(&desk.join(&format!("{name}.wav")), rate, &take);
    }
    std::fs::create_dir(desk.join("bounces")).unwrap();
    for name in ["s16-1", "p4-1"] {
        let bounce = format!("bounces/{}_main_1.wav", name.trim_end_matches("-1"));
        std::fs::copy(desk.join(&format!("{name}.wav")), desk.join(&bounce)).unwrap();
    }
    let answers: String = (1..=8).map(|n| format!("ann,{n},s16\nbob,{n},p4\n")).collect();
    std::fs::write(desk.join("answers.csv"), format!("person,clip,choice\n{answers}")).unwrap();
    std::fs::copy(concat!(env!("CARGO_MANIFEST_DIR"), "/sessions/demo-rig.toml"), desk.join("rig.toml")).unwrap();
}

/// A desk serves until it is told to stop, and then ends well.
fn opens_and_closes(desk: &Desk, args: &[&str]) {
    use std::io::{BufRead, BufReader};
    let mut child = desk.command(args).stdout(std::process::Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let first = lines.next().unwrap().unwrap();
    assert!(first.starts_with("The desk is open: http://"), "{first}");
    let ended = std::process::Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    assert!(ended.success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

/// Runs a page's examples in a folder that has the files they name, and what earlier pages made.
fn runs(desk: &Desk, name: &str, least: usize) {
    let commands = commands(name);
    assert!(commands.len() >= least, "only {} examples were found in {name}", commands.len());
    for command in &commands {
        let args: Vec<&str> = command.iter().map(String::as_str).collect();
        if args[0] == "desk" {
            opens_and_closes(desk, &args);
            continue;
        }
        if args[0] == "listen" {
            // A person listens; the player's own tests play a whole session through a terminal. Here: without one.
            desk.run(&args).ends(1);
            answers_all(&desk.join(args[1]), "test-1", "me");
            continue;
        }
        desk.run(&args).ends(0);
    }
}

fn laid_out() -> Desk {
    let desk = Desk::new();
    lay_out(&desk);
    desk
}

#[test]
fn the_console_examples_of_the_readme_work() {
    runs(&laid_out(), "README.md", 5);
}

#[test]
fn the_console_examples_of_the_whole_shootout_work() {
    runs(&laid_out(), "sessions/shootout.md", 20);
}

/// One evening goes through these pages.
#[test]
fn the_console_examples_of_the_evening_work() {
    let desk = laid_out();
    for (name, least) in [("first-evening", 12), ("wiring-or-tap", 2), ("wire-and-meter", 5), ("desk", 1), ("show-it", 6)] {
        runs(&desk, &format!("sessions/{name}.md"), least);
    }
}

#[test]
fn the_recipes_work() {
    runs(&laid_out(), "sessions/recipes.md", 20);
}

/// The pages of the guide, and the README.
fn pages() -> Vec<PathBuf> {
    let mut pages: Vec<PathBuf> = std::fs::read_dir(root().join("sessions")).unwrap().map(|e| e.unwrap().path()).collect();
    pages.retain(|p| p.extension().is_some_and(|e| e == "md"));
    assert!(pages.len() >= 10, "only {} pages of the guide were found", pages.len());
    pages.extend(["README.md", "DEVELOPERS.md"].map(|n| root().join(n)));
    pages.sort();
    pages
}

/// The targets of a page's links and pictures.
fn links(text: &str) -> Vec<String> {
    let inside = |part: &str| part.split_once(')').map(|(target, _)| target.to_owned());
    text.split("](").skip(1).filter_map(inside).collect()
}

/// A heading as an address, as common hosts of Markdown make it.
fn anchor(heading: &str) -> String {
    let kept =
        heading.trim().to_lowercase().chars().filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_')).collect::<String>();
    kept.replace(' ', "-")
}

/// What is wrong with a page's links.
fn broken(from: &Path, text: &str) -> Vec<String> {
    let wrong = |target: &String| {
        let (file, part) = target.split_once('#').map_or((target.as_str(), None), |(f, p)| (f, Some(p)));
        let to = if file.is_empty() { from.to_owned() } else { from.parent().unwrap().join(file) };
        let headed = |part: &str| {
            let text = if file.is_empty() { text.to_owned() } else { std::fs::read_to_string(&to).unwrap_or_default() };
            text.lines().filter_map(|l| l.strip_prefix('#')).any(|h| anchor(h.trim_start_matches('#')) == part)
        };
        !target.contains("://") && (!to.exists() || part.is_some_and(|p| !headed(p)))
    };
    links(text).into_iter().filter(|t| wrong(t)).map(|t| format!("{}: {t}", from.display())).collect()
}

#[test]
fn every_link_of_readme_and_guide_leads_somewhere() {
    let all: Vec<(PathBuf, String)> = pages().into_iter().map(|p| (p.clone(), std::fs::read_to_string(&p).unwrap())).collect();
    let (found, wrong): (Vec<usize>, Vec<Vec<String>>) = all.iter().map(|(p, t)| (links(t).len(), broken(p, t))).unzip();
    assert!(found.iter().sum::<usize>() > 40, "the links were not found");
    assert!(wrong.concat().is_empty(), "{:#?}", wrong.concat());
    // Every page of the guide can be reached from its contents, and the contents from the README.
    let contents = page("sessions/README.md");
    for (path, _) in &all {
        let name = path.file_name().unwrap().to_string_lossy();
        let of_guide = path.parent().unwrap().ends_with("sessions") && name != "README.md";
        assert!(!of_guide || contents.contains(&format!("]({name})")), "{name} is not in the guide's contents");
    }
    assert!(page("README.md").contains("](sessions/README.md)"));
    // The finder finds.
    let bad = "[a](none.md) [b](README.md#nowhere) [c](#here) ![d](README.md)\n# Here\n";
    assert_eq!(broken(&root().join("LICENSE"), bad).len(), 2);
}

/// The README is one screen of text, and the job comes first.
#[test]
fn the_readme_is_short() {
    let readme = page("README.md");
    assert!(readme.lines().count() <= 60, "the README has {} lines", readme.lines().count());
    let first = readme.lines().nth(2).unwrap();
    assert!(first.starts_with("A recording engineer changes how a guitar cab is wired"), "{first}");
}
