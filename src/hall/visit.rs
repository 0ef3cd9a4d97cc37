//! A visitor's trials: the desk's draw, seat and receipt over the database, so that any replica can go on where another one was.

use super::HallError;
use super::database::Database;
use super::key::{HallKey, Id, new_id};
use super::records::{self, NewTrial, PickRow, TestRow, TrialRow};
use crate::model::digest::{Sha256Hex, hex, unhex};
use crate::model::explain::Fate;
use crate::model::failure::Failure;
use crate::model::ids::{ClipId, ListenerCode, TrialId};
use crate::model::random::RandomWords;
use crate::model::trial::{Answer, Design, Method, Plan, SealedTest, SlotHeard, TrialCount, TrialKind};
use crate::stats::binomial::upper_tail;
use crate::store::random;
use crate::testing::desk::seat::{Opened, Phase, Picked, SeatView};
use crate::testing::receipt::{Receipt, listener_sha256, pick_sha256};
use crate::testing::seat::Seat;
use crate::testing::sounding::Treatment;
use crate::testing::trials::OpenTrial;
use crate::trial::locked::OrderKey;
use crate::trial::{Generator, Hidden, Progressed, draw, draw_trial, methods};
use std::collections::BTreeMap;

/// What the key check holds.
pub(super) const KEY_CHECK: &[u8] = b"cabjury hall key 1";

/// What a sound is: a clip's place in the plan, and what was done to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Sound {
    place: u16,
    treatment: u8,
}

/// The noise to set the level by.
pub(super) const NOISE: Sound = Sound { place: u16::MAX, treatment: 3 };

impl Sound {
    /// The sound of a clip; `None` for a clip that is not of the plan.
    pub(super) fn of(plan: &Plan, clip: &ClipId, treatment: Treatment) -> Option<Self> {
        let place = u16::try_from(plan.clips.iter().position(|c| &c.clip == clip)?).ok()?;
        let treatment = match treatment {
            Treatment::Plain => 0,
            Treatment::Raised => 1,
            Treatment::Anchor => 2,
        };
        Some(Self { place, treatment })
    }

    /// As it is encrypted: every sound's is as long.
    pub(super) fn bytes(self) -> [u8; 3] {
        let [high, low] = self.place.to_be_bytes();
        [high, low, self.treatment]
    }

    /// What its ciphertext belongs to.
    pub(super) fn belongs_to(test: &Id, name: &Id) -> String {
        format!("sound\n{}\n{}", hex(test), hex(name))
    }

    /// Opens what a row holds.
    pub(super) fn read(key: &OrderKey, test: &Id, name: &Id, sealed: &[u8]) -> Result<Self, HallError> {
        let plain = key.unlock_bytes(sealed, &Self::belongs_to(test, name)).map_err(|_| HallError::WrongKey)?;
        match plain.as_slice() {
            [high, low, treatment] => Ok(Self { place: u16::from_be_bytes([*high, *low]), treatment: *treatment }),
            _ => Err(HallError::WrongKey),
        }
    }
}

/// Refuses what the hall cannot carry.
pub(super) fn fits_the_hall(sealed: &SealedTest) -> Result<(), HallError> {
    let plan = &sealed.plan;
    let why = if !plan.audience {
        "was not sealed for an audience"
    } else if sealed.closed_at.is_some() {
        "is closed"
    } else if plan.method == Method::Graded {
        "asks for ratings: the hall takes picks"
    } else if plan.trials == TrialCount::OpenEnded || !plan.looks.is_empty() {
        "has no fixed number of trials"
    } else {
        return Ok(());
    };
    Err(HallError::Unfit(format!("{} {why}", plan.test)))
}

/// Refuses a key that is not the test's.
pub(super) fn check_key(row: &TestRow, key: &HallKey) -> Result<(), HallError> {
    let opened = key.orders().unlock_bytes(&row.key_check, &hex(&row.test)).map_err(|_| HallError::WrongKey)?;
    if opened.as_slice() == KEY_CHECK { Ok(()) } else { Err(HallError::WrongKey) }
}

/// A published test as a replica has it in memory: nothing of it changes but that sounds are added.
pub(super) struct Published {
    pub(super) test: Id,
    pub(super) plan: Plan,
    pub(super) session_id: String,
    seconds: f64,
    rate_hz: u32,
    planned: u32,
    sounds: BTreeMap<Sound, Vec<Id>>,
}

/// A visitor's own count, when they are through.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub(super) struct OwnScore {
    pub(super) trials: u64,
    pub(super) correct: u64,
    chance: f64,
    pub(super) p_value: f64,
}

/// What a visitor's page shows.
pub(super) struct View {
    pub(super) seat: SeatView,
    /// The names of the open trial's sounds, in the order of its slots.
    pub(super) sounds: Vec<Id>,
    pub(super) own_score: Option<OwnScore>,
}

/// A visitor's rows, opened.
struct Own {
    done: Progressed,
    open: Option<(OpenTrial, Vec<Id>)>,
    scored: (u64, u64),
    /// Sounds that this visitor had.
    used: Vec<Id>,
}

/// What a trial's ciphertext belongs to.
pub(super) fn belongs_to(test: &Id, trial: &Id, visitor: &Id) -> String {
    format!("order\n{}\n{}\n{}", hex(test), hex(trial), hex(visitor))
}

/// A visitor's code as records and receipts have it.
pub(super) fn listener(visitor: &Id) -> Result<ListenerCode, Failure> {
    Ok(ListenerCode::new(&format!("v{}", hex(visitor)))?)
}

fn commitment(row: &TrialRow) -> Sha256Hex {
    Sha256Hex::from_bytes(&row.commitment)
}

impl Published {
    /// Reads a test and its sounds.
    pub(super) async fn read(database: &Database, key: &HallKey, id: &Id) -> Result<Option<Self>, Failure> {
        let client = database.client().await?;
        let Some(row) = records::test(&client, id).await? else { return Ok(None) };
        check_key(&row, key)?;
        let plan: Plan =
            serde_json::from_str(&row.plan).map_err(|e| HallError::Refused(format!("a plan cannot be read: {e}")))?;
        let mut sounds: BTreeMap<Sound, Vec<Id>> = BTreeMap::new();
        for (name, sealed) in records::sounds(&client, id).await? {
            sounds.entry(Sound::read(key.orders(), id, &name, &sealed)?).or_default().push(name);
        }
        let planned = draw::planned(&plan).ok_or_else(|| HallError::Unfit("a test without an end".to_owned()))?;
        let rate_hz = u32::try_from(row.rate_hz).unwrap_or(0);
        Ok(Some(Self { test: row.test, plan, session_id: row.session_id, seconds: row.seconds, rate_hz, planned, sounds }))
    }

    /// The noise to set the level by.
    pub(super) fn noise(&self) -> Option<Id> {
        self.sounds.get(&NOISE)?.first().copied()
    }

    /// A sound for each slot, drawn among those of its clip: no two slots of a trial have the same one, and as long as there are others none
    /// that this visitor had before, so that names do not tell which samples come back.
    fn drawn(&self, hidden: &Hidden, used: &[Id], random: &mut dyn RandomWords) -> Result<Vec<Id>, Failure> {
        let none = || HallError::Unfit("a clip has too few sounds in the store".to_owned());
        let mut names: Vec<Id> = Vec::new();
        for label in hidden.labels() {
            let (clip, anchor) = hidden.for_the_player(&label).ok_or_else(none)?;
            let treatment = match (anchor, hidden.raised_for_the_player(&label)) {
                (true, _) => Treatment::Anchor,
                (_, true) => Treatment::Raised,
                _ => Treatment::Plain,
            };
            let sound = Sound::of(&self.plan, clip, treatment).ok_or_else(none)?;
            let all = self.sounds.get(&sound).ok_or_else(none)?;
            let mut free: Vec<Id> = all.iter().filter(|n| !names.contains(n)).copied().collect();
            if free.iter().any(|n| !used.contains(n)) {
                free.retain(|n| !used.contains(n));
            }
            names.push(*free.get(random.below(free.len() as u64) as usize).ok_or_else(none)?);
        }
        Ok(names)
    }

    /// What a page is built from: no visitor's place is in it.
    pub(super) fn blank(&self) -> View {
        self.view(Own { done: Progressed::default(), open: None, scored: (0, 0), used: Vec::new() }, false)
    }

    fn own(&self, key: &HallKey, rows: Vec<TrialRow>) -> Result<Own, Failure> {
        let mut own = Own { done: Progressed::default(), open: None, scored: (0, 0), used: Vec::new() };
        for row in rows {
            let place = belongs_to(&self.test, &row.trial, &row.visitor);
            let (hidden, names) = key.orders().unlock(&self.plan, &row.sealed, &place)?;
            own.used.extend(&names);
            match &row.pick {
                None => {
                    let number = u32::try_from(row.number).unwrap_or(0);
                    own.open = Some((shown(&row.trial, number, &commitment(&row), &hidden)?, names));
                }
                Some(pick) => {
                    let opened = hidden.open(&pick.answer);
                    own.done.add(opened.order.kind);
                    if let (TrialKind::Scored, Some(right)) = (opened.order.kind, opened.right) {
                        own.scored.0 += 1;
                        own.scored.1 += u64::from(right);
                    }
                }
            }
        }
        Ok(own)
    }

    fn view(&self, own: Own, closed: bool) -> View {
        let done = own.done.all();
        let open = own.open.filter(|_| !closed);
        let phase = match &open {
            _ if closed => Phase::Closed,
            Some(_) => Phase::Trial,
            None if done >= self.planned => Phase::Done,
            None => Phase::Ready,
        };
        let own_score = (done >= self.planned).then(|| self.own_score(own.scored)).flatten();
        let (shown, sounds) = open.map_or((None, Vec::new()), |(open, names)| (Some(open), names));
        let plan = &self.plan;
        let seat = SeatView {
            test: plan.test.to_string(),
            method: plan.method,
            question: methods::question(plan),
            instructions: methods::instructions_of(plan).to_vec(),
            crossed: plan.design == Design::Crossed,
            attribute: plan.attribute.clone(),
            planned: Some(self.planned),
            done,
            phase,
            open: shown,
            asks_confidence: plan.ask_confidence,
            seconds: self.seconds,
            rate_hz: self.rate_hz,
        };
        View { seat, sounds, own_score }
    }

    /// Where there is a right answer: how many of this visitor's were.
    fn own_score(&self, (trials, correct): (u64, u64)) -> Option<OwnScore> {
        let (a, b) = self.plan.method.chance().filter(|_| self.plan.method != Method::Preference)?;
        let chance = f64::from(a) / f64::from(b);
        Some(OwnScore { trials, correct, chance, p_value: upper_tail(correct, trials, chance) })
    }

    /// Where a visitor stands.
    pub(super) async fn look(&self, database: &Database, key: &HallKey, visitor: &Id) -> Result<View, Failure> {
        let client = database.client().await?;
        let (rows, gate) = tokio::join!(records::trials_of(&client, &self.test, visitor), records::gate(&client, &self.test));
        Ok(self.view(self.own(key, rows?)?, gate?.closed))
    }

    /// Draws and opens a visitor's next trial: its commitment is on disk when this returns.
    pub(super) async fn open(&self, visit: &Visit<'_>) -> Result<(Opened, View), Failure> {
        let Visit { database, key, visitor } = *visit;
        let client = database.client().await?;
        let (rows, gate) = tokio::join!(records::trials_of(&client, &self.test, visitor), records::gate(&client, &self.test));
        let (mut own, closed) = (self.own(key, rows?)?, gate?.closed);
        if own.open.is_some() || closed || own.done.all() >= self.planned {
            return Ok(stands(self.view(own, closed)));
        }
        let drawn = self.draw(key, visitor, &own)?;
        let number = i16::try_from(drawn.open.number).unwrap_or(i16::MAX);
        let (trial, commitment) = (drawn.trial, drawn.commitment.as_slice());
        let new = NewTrial { trial, test: self.test, visitor: *visitor, number, commitment, sealed: &drawn.sealed };
        if records::add_trial(&client, &new).await? {
            let fresh = drawn.open.clone();
            own.open = Some((drawn.open, drawn.names));
            return Ok((Opened::Fresh(fresh), self.view(own, false)));
        }
        drop(client);
        // Another window was first, or the test was closed meanwhile.
        Ok(stands(self.look(database, key, visitor).await?))
    }

    /// Not across a wait: the order lives here in the clear, and nowhere else.
    fn draw(&self, key: &HallKey, visitor: &Id, own: &Own) -> Result<Drawn, Failure> {
        let mut random = Generator::from_secret(&mut random::seed()?);
        let hidden = draw_trial(&self.plan, own.done, &mut random)?;
        let names = self.drawn(&hidden, &own.used, &mut random)?;
        let trial = new_id()?;
        let place = belongs_to(&self.test, &trial, visitor);
        let sealed = key.orders().lock(&self.plan, &hidden, &names, &place, &mut random)?;
        let commitment = hidden.commitment();
        let open = shown(&trial, own.done.all() + 1, &commitment, &hidden)?;
        Ok(Drawn { trial, open, commitment: unhex(commitment.as_str()).unwrap_or_default(), sealed, names })
    }

    /// Takes a pick: on disk when this returns. The same one again is fine, another one is too late.
    pub(super) async fn pick(
        &self,
        visit: &Visit<'_>,
        trial: &Id,
        answer: &Answer,
        heard: &[SlotHeard],
    ) -> Result<(Picked, View), Failure> {
        let Visit { database, key, visitor } = *visit;
        let client = database.client().await?;
        let mut rows = records::trials_of(&client, &self.test, visitor).await?;
        let at = rows.iter().position(|r| &r.trial == trial).ok_or_else(not_theirs)?;
        let mut closed = false;
        if rows[at].pick.is_none() {
            self.may_be_taken(key, &rows[at], answer, heard)?;
            match records::add_pick(&client, &self.test, trial, answer, heard).await? {
                Some(when) => rows[at].pick = Some(PickRow { answer: answer.clone(), heard: heard.to_vec(), at: when }),
                // Another replica took one meanwhile, or the test was closed.
                None => rows = records::trials_of(&client, &self.test, visitor).await?,
            }
            closed = rows.get(at).is_some_and(|r| r.pick.is_none());
        }
        drop(client);
        let row = rows.get(at).ok_or_else(not_theirs)?;
        let receipt = match row.pick.as_ref().filter(|kept| &kept.answer == answer) {
            Some(kept) => Some(self.receipt(row, kept)?),
            None => None,
        };
        let view = self.view(self.own(key, rows)?, closed);
        Ok(match receipt {
            Some(receipt) => (Picked::Taken(view.seat.clone(), receipt), view),
            None => (Picked::Late(view.seat.clone()), view),
        })
    }

    /// The seat's rule as far as a server can know it: every slot is reported as heard, and there was time for it.
    fn may_be_taken(&self, key: &HallKey, row: &TrialRow, answer: &Answer, heard: &[SlotHeard]) -> Result<(), Failure> {
        let place = belongs_to(&self.test, &row.trial, &row.visitor);
        let (hidden, _) = key.orders().unlock(&self.plan, &row.sealed, &place)?;
        hidden.check(answer)?;
        let mut seat = Seat::of(hidden.labels());
        heard.iter().for_each(|h| seat.fetched(&h.label));
        seat.allow(heard)?;
        Ok(seat.in_time(u64::try_from(row.open_for_ms).unwrap_or(0))?)
    }

    fn receipt(&self, row: &TrialRow, pick: &PickRow) -> Result<Receipt, Failure> {
        let (trial, commitment) = (TrialId::new(&hex(&row.trial))?, commitment(row));
        Ok(Receipt {
            session_id: self.session_id.clone(),
            test: self.plan.test.clone(),
            head_sha256: pick_sha256(&trial, &commitment, &pick.answer, pick.at),
            trial,
            commitment_sha256: commitment,
            at: pick.at,
            listener_sha256: listener_sha256(&self.session_id, &listener(&row.visitor)?),
        })
    }
}

/// A trial that was drawn, ready to be written and shown.
struct Drawn {
    trial: Id,
    open: OpenTrial,
    commitment: Vec<u8>,
    sealed: Vec<u8>,
    names: Vec<Id>,
}

/// No fresh trial: one is open, or there is none any more.
fn stands(view: View) -> (Opened, View) {
    let seat = view.seat.clone();
    (if seat.phase == Phase::Trial { Opened::Already(seat) } else { Opened::Over(seat) }, view)
}

fn not_theirs() -> Failure {
    let next = "reload the page: it goes on with the trial that is open";
    Failure::plain("no-trial", Fate::Unfit, "there is no such trial of this visitor", next)
}

/// Who asks, and through what.
#[derive(Clone, Copy)]
pub(super) struct Visit<'a> {
    pub(super) database: &'a Database,
    pub(super) key: &'a HallKey,
    pub(super) visitor: &'a Id,
}

fn shown(trial: &Id, number: u32, commitment: &Sha256Hex, hidden: &Hidden) -> Result<OpenTrial, Failure> {
    Ok(OpenTrial {
        id: TrialId::new(&hex(trial))?,
        number,
        commitment: commitment.to_string(),
        labels: hidden.labels(),
        choices: hidden.choices().to_vec(),
    })
}
