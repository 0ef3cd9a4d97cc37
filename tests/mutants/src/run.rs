//! Which test reaches which mutant, and which mutant no test notices.

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::fs;
use std::io::Write;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use crate::build::Build;

/// How long tests may take together for one mutant unless the environment asks for less; those that take longer than all of it
/// alone are not asked.
const MOST: Duration = Duration::from_secs(60);
/// How much of it tests of other rooms may take, which pass by on their way to something else.
const OTHERS: Duration = Duration::from_secs(10);

struct Test {
    name: String,
    takes: Duration,
    reaches: BTreeSet<u32>,
}

#[derive(PartialEq)]
enum Ran {
    Passed,
    Failed,
    Late,
}

/// Runs some tests in one process of its own group with a folder of its own for temporary files, and ends it when it takes too long.
fn tests(build: &Build, names: &[&str], switch: (&str, String), worker: usize, within: Duration) -> Result<Ran, Box<dyn Error>> {
    let temporary = build.work.join(format!("tmp{worker}"));
    if temporary.exists() {
        fs::remove_dir_all(&temporary)?;
    }
    fs::create_dir_all(&temporary)?;
    let mut command = Command::new(&build.suite);
    command
        .current_dir(&build.tree)
        .arg("--exact")
        .args(names)
        .args(["--test-threads", "1"])
        .env(switch.0, switch.1)
        .env("TMPDIR", &temporary);
    command
        .env("PROPTEST_FAILURE_PERSISTENCE", "off")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0);
    let mut child = command.spawn()?;
    let start = Instant::now();
    let ran = loop {
        if let Some(status) = child.try_wait()? {
            break if status.success() { Ran::Passed } else { Ran::Failed };
        }
        if start.elapsed() > within {
            break Ran::Late;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    // Also what the tests have started and not ended.
    Command::new("kill").args(["-9", "--", &format!("-{}", child.id())]).stderr(Stdio::null()).status()?;
    child.wait()?;
    Ok(ran)
}

/// Hands the numbers up to `count` to as many threads as there are processors.
fn in_parallel(count: usize, work: impl Fn(usize, usize) -> Result<(), Box<dyn Error>> + Sync) -> Result<(), Box<dyn Error>> {
    let next = Mutex::new(0..count);
    let wrong = Mutex::new(None);
    std::thread::scope(|scope| {
        for worker in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            let (next, wrong, work) = (&next, &wrong, &work);
            scope.spawn(move || {
                while let Some(i) = { next.lock().ok().and_then(|mut n| n.next()) } {
                    if let Err(e) = work(worker, i) {
                        if let Ok(mut wrong) = wrong.lock() {
                            *wrong = Some(e.to_string());
                        }
                    }
                }
            });
        }
    });
    wrong.into_inner()?.map_or(Ok(()), |e| Err(e.into()))
}

/// What was learned about the tests of this very build.
fn traced(build: &Build) -> Result<Vec<Test>, Box<dyn Error>> {
    let path = build.work.join("tests.tsv");
    let of = format!("{} {:?}", asked("TESTS"), fs::metadata(&build.suite)?.modified()?);
    let kept = fs::read_to_string(&path).unwrap_or_default();
    if let Some(lines) = kept.strip_prefix(&of) {
        return Ok(lines.lines().filter_map(read).collect());
    }
    let tests = trace(build)?;
    let lines = tests.iter().map(|t| {
        let reaches: Vec<String> = t.reaches.iter().map(u32::to_string).collect();
        format!("\n{}\t{}\t{}", t.name, t.takes.as_millis(), reaches.join(" "))
    });
    fs::write(path, of + &lines.collect::<String>())?;
    Ok(tests)
}

fn read(line: &str) -> Option<Test> {
    let mut cells = line.split('\t');
    Some(Test {
        name: cells.next()?.to_owned(),
        takes: Duration::from_millis(cells.next()?.parse().ok()?),
        reaches: cells.next()?.split(' ').filter_map(|n| n.parse().ok()).collect(),
    })
}

/// Runs each test alone, unchanged: how long it takes and what it reaches. Those that fail here (they read the source, say) are left out.
fn trace(build: &Build) -> Result<Vec<Test>, Box<dyn Error>> {
    let listed = Command::new(&build.suite).current_dir(&build.tree).args(["--list", "--format", "terse"]).output()?;
    let mut names: Vec<String> =
        String::from_utf8(listed.stdout)?.lines().filter_map(|l| l.strip_suffix(": test")).map(str::to_owned).collect();
    let some = asked("TESTS");
    names.retain(|n| some.split(' ').any(|s| n.contains(s)));
    let found = Mutex::new(Vec::new());
    in_parallel(names.len(), |worker, i| {
        let name = &names[i];
        let seen = build.work.join(format!("seen{i}"));
        let _ = fs::remove_file(&seen);
        let trace = tests(build, &[name], ("CABJURY_MUTANT_TRACE", seen.display().to_string()), worker, MOST * 2)?;
        let start = Instant::now();
        let again =
            if trace == Ran::Passed { tests(build, &[name], ("CABJURY_MUTANT", "0".to_owned()), worker, MOST)? } else { trace };
        match again {
            Ran::Passed => {}
            Ran::Failed => {
                println!("not used, it fails in the copy: {name}");
                return Ok(());
            }
            Ran::Late => {
                println!("not used, it takes too long: {name}");
                return Ok(());
            }
        }
        let takes = start.elapsed();
        let reaches = fs::read_to_string(&seen).unwrap_or_default().lines().filter_map(|l| l.parse().ok()).collect();
        found.lock().map_err(|e| e.to_string())?.push(Test { name: name.clone(), takes, reaches });
        Ok(())
    })?;
    let mut found = found.into_inner()?;
    found.sort_by_key(|t| t.takes);
    Ok(found)
}

/// Tries one mutant: the test that noticed it, or why none did.
fn attempt(build: &Build, known: &[Test], id: u32, worker: usize) -> Result<String, Box<dyn Error>> {
    let Some(site) = build.site.get(&id) else { return Ok("unmerged".to_owned()) };
    let file = &build.mutants[&id].file;
    let room = file.split('/').nth(1).unwrap_or_default();
    let reaching: Vec<&Test> = known.iter().filter(|t| t.reaches.contains(site)).collect();
    if reaching.is_empty() {
        return Ok("unreached".to_owned());
    }
    let (mut own, others): (Vec<&Test>, Vec<&Test>) = reaching.iter().partition(|t| t.name.starts_with(room));
    let mut left = OTHERS;
    own.extend(others.into_iter().take_while(|t| {
        left = left.saturating_sub(t.takes);
        !left.is_zero()
    }));
    let most = asked("MOST").parse().map_or(MOST, Duration::from_secs);
    let mut spent = Duration::ZERO;
    let mut batch = Duration::from_millis(300);
    let mut rest = own.as_slice();
    while !rest.is_empty() && spent < most {
        let mut takes = rest[0].takes;
        if most < MOST && spent + takes > most {
            break;
        }
        let mut n = 1;
        while n < rest.len() && takes + rest[n].takes < batch {
            takes += rest[n].takes;
            n += 1;
        }
        let names: Vec<&str> = rest[..n].iter().map(|t| t.name.as_str()).collect();
        let within = Duration::from_secs(10) + takes * 5;
        let mut ran = tests(build, &names, ("CABJURY_MUTANT", id.to_string()), worker, within)?;
        if ran == Ran::Failed && !names.iter().all(|n| n.starts_with(room)) {
            // Tests of programs and desks: not by chance, on a machine that does two things at once?
            ran = tests(build, &names, ("CABJURY_MUTANT", id.to_string()), worker, within)?;
        }
        match ran {
            Ran::Passed => {}
            Ran::Failed => return Ok(format!("caught\t{}", names.join(" "))),
            Ran::Late => return Ok(format!("late\t{}", names.join(" "))),
        }
        spent += takes;
        batch *= 3;
        rest = &rest[n..];
    }
    let asked = own.len() - rest.len();
    Ok(format!("survived\t{asked} of {} tests that reach it", reaching.len()))
}

/// What the environment asks for, empty when nothing: see `main.rs`.
fn asked(what: &str) -> String {
    std::env::var(format!("CABJURY_MUTANTS_{what}")).unwrap_or_default()
}

/// Outcomes by the mutant's name; a later one counts.
fn outcomes(path: &Path) -> BTreeMap<String, String> {
    let text = fs::read_to_string(path).unwrap_or_default();
    text.lines().filter_map(|l| l.split_once('\t')).map(|(n, o)| (n.to_owned(), o.to_owned())).collect()
}

/// Tries the mutants of some rooms in an order that is mixed but always the same, so that a part of them is a fair sample.
pub fn run(build: &Build, rooms: &[String]) -> Result<(), Box<dyn Error>> {
    let path = build.work.join("outcome.tsv");
    let known = outcomes(&path);
    let only = asked("ONLY");
    let end = asked("WITHIN").parse().ok().map(|m: u64| Instant::now() + Duration::from_secs(60 * m));
    let of = |file: &str| rooms.iter().any(|r| file.starts_with(&format!("src/{r}/")));
    let mut ids: Vec<u32> = build.mutants.values().filter(|m| of(&m.file) && m.name.contains(&only)).map(|m| m.id).collect();
    // Only what survived is tried once more; what has never been tried is not, or the sample would be of those that are easily caught.
    let unnoticed = |outcome: &String| outcome.starts_with("survived") || outcome.starts_with("unreached");
    let wanted =
        |outcome: Option<&String>| if asked("AGAIN").is_empty() { outcome.is_none() } else { outcome.is_some_and(unnoticed) };
    ids.retain(|id| !build.unviable.contains(id) && wanted(known.get(&build.mutants[id].name)));
    ids.sort_by_key(|id| id.wrapping_mul(2_654_435_761));
    let traced = if ids.is_empty() { Vec::new() } else { traced(build)? };
    println!("{} mutants to try, {} tests", ids.len(), traced.len());
    let log = Mutex::new(fs::OpenOptions::new().create(true).append(true).open(&path)?);
    in_parallel(ids.len(), |worker, i| {
        if end.is_some_and(|e| Instant::now() > e) {
            return Ok(());
        }
        let outcome = attempt(build, &traced, ids[i], worker)?;
        if !asked("AGAIN").is_empty() && (outcome.starts_with("survived") || outcome.starts_with("unreached")) {
            return Ok(());
        }
        let line = format!("{}\t{outcome}\n", build.mutants[&ids[i]].name);
        log.lock().map_err(|e| e.to_string())?.write_all(line.as_bytes())?;
        if !outcome.starts_with("caught") && !outcome.starts_with("late") {
            print!("{line}");
        }
        Ok(())
    })?;
    table(build, rooms, &outcomes(&path));
    Ok(())
}

/// Prints how many mutants of each room came to what.
fn table(build: &Build, rooms: &[String], known: &BTreeMap<String, String>) {
    println!(
        "\n{:10} {:>6} {:>9} {:>7} {:>6} {:>9} {:>9} {:>9} {:>9}",
        "room", "all", "unviable", "caught", "late", "survived", "unreached", "unmerged", "untried"
    );
    for room in rooms {
        let here: Vec<_> = build.mutants.values().filter(|m| m.file.starts_with(&format!("src/{room}/"))).collect();
        let unviable = here.iter().filter(|m| build.unviable.contains(&m.id)).count();
        let count = |word: &str| here.iter().filter(|m| known.get(&m.name).is_some_and(|o| o.starts_with(word))).count();
        let counts = ["caught", "late", "survived", "unreached", "unmerged"].map(count);
        let [c, l, s, r, m] = counts;
        println!(
            "{room:10} {:>6} {unviable:>9} {c:>7} {l:>6} {s:>9} {r:>9} {m:>9} {:>9}",
            here.len(),
            here.len() - unviable - counts.iter().sum::<usize>()
        );
    }
}
