//! Line by line, for screen readers and braille: what is typed is a slot's label to hear it, `pick LABEL` to answer, `stop`, `help`, `leave`.

use crate::cli::shell::Shell;
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::trial::Answer;
use crate::testing::listen::Listening;
use std::io::BufRead;

const HELP: &str = "Type a label to hear it, stop for silence, pick LABEL to answer, leave to go.";
const HELP_RATING: &str = "Type a label to hear it, stop for silence, pick 1=80,2=35,... to rate all, leave to go.";

/// Runs until the listener is through or leaves; true when through.
pub(super) fn run(listening: &mut Listening<'_>, cautions: &[&str], brief: bool, shell: &mut Shell) -> Result<bool, Failure> {
    let mut lines = std::io::stdin().lock().lines();
    let mut read = || -> Result<Option<String>, Failure> {
        lines
            .next()
            .transpose()
            .map_err(|e| Failure::plain("input", Fate::Failed, format!("standard input cannot be read: {e}"), "try again"))
    };
    for line in cautions {
        shell.say(line);
    }
    shell.say("Press Enter for the noise.");
    shell.flush();
    if read()?.is_none_or(|line| line.trim().eq_ignore_ascii_case("leave")) {
        return Ok(false);
    }
    shell.say("Noise sounds. Set the level, then press Enter.");
    let names = listening.training_names();
    let openly: Vec<String> = (1..).zip(&names).map(|(n, name)| format!("train {n} ({name})")).collect();
    let openly = openly.join(" or ");
    if !brief {
        shell.say(&format!("To hear the setups openly first, type {openly}; Enter goes on."));
    }
    listening.level_noise(true);
    let Some(first) = trained(listening, shell, &openly, &names, &mut read)? else { return Ok(false) };
    // Whoever goes on by a label instead of Enter meant the label.
    let mut first = Some(first).filter(|line| !line.trim().is_empty());
    for line in listening.instructions().iter().filter(|_| !brief) {
        shell.say(line);
    }
    let help = if listening.rates() { HELP_RATING } else { HELP };
    if listening.asks_confidence() {
        shell.say("How sure you are, 0 to 100, and a remark may follow: pick A 80 the low end.");
    }
    shell.say(help);
    while !listening.standing()?.through() {
        if listening.trial().is_none() {
            listening.open_next()?;
            let (number, labels) = listening.trial().map_or((0, String::new()), |t| (t.number, t.labels.join(", ")));
            let planned = listening.standing()?.planned.map_or_else(String::new, |p| format!(" of {p}"));
            shell.say(&format!("Trial {number}{planned}. {} Labels: {labels}.", listening.question()));
            if listening.break_advised() {
                shell.say("That was a good number of trials without a break. Rest your ears if you like.");
            }
        }
        let Some(line) = first.take().map_or_else(&mut read, |line| Ok(Some(line)))? else { return Ok(false) };
        if let Some(said) = listening.look_after_device()? {
            shell.say(&said);
            shell.say("Connect it again, then press Enter; leave to go.");
            if !reconnected(listening, shell, &mut read)? {
                return Ok(false);
            }
            continue;
        }
        if !step(listening, shell, line.trim(), help)? {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Lets the listener hear the setups openly; returns the first line that asks for something else, or none at the end of the input.
fn trained(
    listening: &mut Listening<'_>,
    shell: &mut Shell,
    openly: &str,
    names: &[String],
    read: &mut dyn FnMut() -> Result<Option<String>, Failure>,
) -> Result<Option<String>, Failure> {
    let mut line = read()?;
    listening.level_is_set()?;
    while let Some(number) = line.as_deref().and_then(|l| l.trim().to_lowercase().strip_prefix("train ").map(str::to_owned)) {
        match number.trim().parse::<usize>().ok().and_then(|n| names.get(n.checked_sub(1)?).map(|name| (n, name))) {
            Some((n, name)) => {
                listening.train(n - 1)?;
                shell.say(&format!("{name} sounds openly."));
            }
            None => shell.say(&format!("Type {openly}.")),
        }
        line = read()?;
    }
    Ok(line)
}

/// Tries the device again at every line until it is there; false when the listener leaves.
fn reconnected(
    listening: &mut Listening<'_>,
    shell: &mut Shell,
    read: &mut dyn FnMut() -> Result<Option<String>, Failure>,
) -> Result<bool, Failure> {
    while let Some(line) = read()? {
        if line.trim().eq_ignore_ascii_case("leave") {
            return Ok(false);
        }
        match listening.reconnect() {
            Ok(()) => {
                shell.say("The device is back. Turn the volume down first, then press Enter for the noise.");
                if read()?.is_none() {
                    return Ok(false);
                }
                shell.say("Noise sounds. Set the level, then press Enter to go on.");
                listening.level_noise(true);
                let set = read()?.is_some();
                listening.level_is_set()?;
                return Ok(set);
            }
            Err(error) => shell.say(&format!("{error}: {}.", error.explain().next())),
        }
    }
    Ok(false)
}

/// One line; false when the listener leaves.
fn step(listening: &mut Listening<'_>, shell: &mut Shell, line: &str, help: &str) -> Result<bool, Failure> {
    let lower = line.to_lowercase();
    if let Some(choice) = lower.strip_prefix("pick ") {
        let mut words = choice.trim().splitn(3, ' ');
        let choice = words.next().unwrap_or_default().to_uppercase();
        // Where the plan asks: pick A 80 what I heard.
        let confidence = words.next().and_then(|w| w.parse::<u8>().ok()).filter(|c| listening.asks_confidence() && *c <= 100);
        let remark = words
            .next()
            .filter(|r| listening.asks_confidence() && !r.trim().is_empty())
            .map(|_| line.trim().splitn(4, ' ').nth(3).unwrap_or_default().to_owned());
        let answer = Answer { choice: choice.clone(), confidence, remark };
        match listening.pick(&answer) {
            Ok(()) => shell.say(&format!("{choice} is taken down.")),
            // What the listener can mend is said, and the trial goes on; anything else ends the program.
            Err(error) if matches!(error.explain().fate(), Fate::Refused | Fate::WrongUse) => {
                shell.say(&format!("{error}: {}.", error.explain().next()));
            }
            Err(error) => return Err(error),
        }
        return Ok(true);
    }
    match lower.as_str() {
        "leave" => return Ok(false),
        "stop" | "" => listening.pause(),
        "help" | "?" => shell.say(help),
        label => {
            let slot = listening.trial().and_then(|t| t.labels.iter().position(|l| l.eq_ignore_ascii_case(label)));
            match slot {
                Some(slot) => {
                    listening.play(slot);
                    shell.say(&format!("{} sounds.", label.to_uppercase()));
                }
                None => shell.say(help),
            }
        }
    }
    Ok(true)
}
