//! Simulated listeners of the demo: they answer real trials of the real service, after every slot has sounded on the player without a sound
//! card, in compressed time. They are marked simulated for ever.

use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ListenerCode};
use crate::model::outside::Progress;
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Plan, SlotHeard};
use crate::signal::fades;
use crate::sound::device::{Pace, Silent};
use crate::sound::player::Player;
use crate::sound::read_all;
use crate::testing::trials::{OpenTrial, Trials};
use std::time::{Duration, Instant};

/// Every slot sounds for so many seconds of its own time.
const SOUNDS: f64 = 2.0;
/// A device that has not rendered that in so long has died.
const PATIENCE: Duration = Duration::from_secs(20);

/// A listener who hears a share of the trials and guesses in the others.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ear {
    pub(super) code: &'static str,
    pub(super) hears: f64,
}

struct Booth {
    player: Player,
    clips: Vec<ClipId>,
}

impl Booth {
    fn open(trials: &Trials<'_>, plan: &Plan) -> Result<Self, Failure> {
        let known = trials.session().clips()?;
        let (mut clips, mut audio) = (Vec::new(), Vec::new());
        for planned in &plan.clips {
            if let Some(clip) = known.iter().find(|c| c.id == planned.clip) {
                audio.push(read_all(&trials.session().absolute(&clip.path))?.0);
                clips.push(clip.id.clone());
            }
        }
        let player = Player::start(&Silent(Pace::Fastest), &audio, &fades::switch_table)?;
        Ok(Self { player, clips })
    }

    /// Plays a clip until it has sounded long enough; the milliseconds that it sounded.
    fn play(&mut self, clip: &ClipId) -> Result<u64, Failure> {
        let rate = f64::from(self.player.rate().hz());
        let (wanted, since) = ((SOUNDS * rate) as u64, Instant::now());
        let request = self.player.ask(self.clips.iter().position(|c| c == clip));
        loop {
            if let Some((_, frames)) = self.player.now().filter(|(now, frames)| *now == request && *frames >= wanted) {
                return Ok((frames as f64 / rate * 1000.0) as u64);
            }
            if since.elapsed() > PATIENCE {
                let next = "run the demo again; if it happens again, this machine is too busy";
                return Err(Failure::plain("player", Fate::Failed, "the player without a sound card stands still", next));
            }
            std::thread::yield_now();
        }
    }
}

/// Lets the listeners answer all of their trials of one test.
pub(super) fn listen(
    trials: &mut Trials<'_>,
    plan: &Plan,
    ears: &[Ear],
    random: &mut dyn RandomWords,
    progress: &dyn Progress,
) -> Result<(), Failure> {
    let mut booth = Booth::open(trials, plan)?;
    for ear in ears {
        let code = ListenerCode::new(ear.code)?;
        trials.enter(plan, &code, true)?;
        let played = format!("{}, compressed time, simulated listener", booth.player.describe());
        loop {
            let standing = trials.standing(plan, &code)?;
            if standing.through() {
                break;
            }
            progress.step("listening", u64::from(standing.done), u64::from(standing.planned.unwrap_or(0)));
            let open = trials.next_with(plan, &code, &played, random)?;
            let (answer, heard) = answer(&mut booth, trials, plan, &open, ear.hears, random)?;
            trials.pick(plan, &open.id, &answer, heard)?;
            booth.player.ask(None);
            booth.player.ended();
        }
    }
    Ok(())
}

/// Hears all slots, then answers: by ear in a share of the trials, by a guess in the others. Where all slots are one setup, by a guess.
fn answer(
    booth: &mut Booth,
    trials: &mut Trials<'_>,
    plan: &Plan,
    open: &OpenTrial,
    hears: f64,
    random: &mut dyn RandomWords,
) -> Result<(Answer, Vec<SlotHeard>), Failure> {
    let (mut heard, mut setups) = (Vec::new(), Vec::new());
    for label in &open.labels {
        let Some((clip, _)) = trials.for_the_player(&open.id, label) else { continue };
        let ms = booth.play(&clip)?;
        trials.fetched(&open.id, label);
        heard.push(SlotHeard { label: label.clone(), times: 1, ms });
        setups.push(plan.clips.iter().find(|c| c.clip == clip).map(|c| c.setup.clone()));
    }
    let guess = open.choices.get(random.below(open.choices.len() as u64) as usize).cloned().unwrap_or_default();
    let truly = random.unit() < hears;
    let by_ear = match setups.as_slice() {
        [a, b, x] if a != b => open.choices.get(usize::from(x != a)).cloned(),
        _ => None,
    };
    let choice = by_ear.filter(|_| truly).unwrap_or(guess);
    Ok((Answer { choice, confidence: None, remark: None }, heard))
}
