//! `hall publish`: a sealed test goes out to an audience. Publishing again adds what is missing and changes nothing.

use super::database::Database;
use super::error::HallError;
use super::key::{HallKey, Id, new_id};
use super::records::{self, NewTest, TestRow};
use super::sounds::{Folder, SoundStore};
use super::visit::{KEY_CHECK, NOISE, Sound, check_key, fits_the_hall};
use super::waited;
use crate::model::audio::Audio;
use crate::model::digest::hex;
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use crate::model::outside::{Clock, Progress};
use crate::model::random::RandomWords;
use crate::model::trial::SealedTest;
use crate::store::event::Happening;
use crate::store::{Session, random};
use crate::testing::desk::sound::{Loaded, load, wav};
use crate::trial::{Generator, draw};
use jiff::Timestamp;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};

/// Sounds of each clip, unless said.
pub const VARIANTS: u32 = 64;
/// One trial may hold the same clip in every slot, each with a sound of its own.
const LEAST_VARIANTS: u32 = 4;

/// What was asked for.
#[derive(Debug, Clone)]
pub struct Request {
    /// The session.
    pub folder: PathBuf,
    /// The test.
    pub test: TestId,
    /// The database's address.
    pub database: String,
    /// The store's folder.
    pub sound: PathBuf,
    /// The key's file; made if it is not there.
    pub key: Option<PathBuf>,
    /// Sounds of each clip.
    pub variants: u32,
    /// No trial and no pick after it.
    pub closes_at: Option<Timestamp>,
    /// Where visitors find the hall.
    pub public: Option<String>,
}

/// The document of `hall publish`.
#[derive(Debug, Clone, Serialize)]
pub struct PublishedDoc {
    /// The test.
    pub test: TestId,
    /// Its name in the hall.
    pub hall: String,
    /// The visitors' page.
    pub url: String,
    /// Sounds of each clip.
    pub variants: u32,
    /// Sounds that were added now.
    pub sounds_added: u64,
    /// True where a key was drawn and written now.
    pub key_made: bool,
    /// True where a visitor's trials may need more sounds of a clip than there are: then names come back, and tell which samples are alike.
    pub names_come_back: bool,
}

/// A sound that is to be made.
struct Job<'a> {
    name: Id,
    what: Sound,
    audio: &'a Audio,
}

/// What goes out, and where to.
struct Going<'a> {
    request: &'a Request,
    sealed: &'a SealedTest,
    session_id: String,
    loaded: Loaded,
    key: HallKey,
    store: Folder,
    variants: u32,
}

/// Publishes a test.
///
/// # Errors
/// The test is not for an audience, is closed, or its clips changed; [`HallError`].
pub fn publish(request: &Request, clock: &dyn Clock, progress: &dyn Progress) -> Result<PublishedDoc, Failure> {
    let session = Session::open_read(&request.folder)?;
    let sealed = session.test(&request.test)?;
    fits_the_hall(&sealed)?;
    if session.given_up(&request.test)?.is_some() {
        return Err(HallError::Unfit(format!("{} was given up", request.test)).into());
    }
    let session_id = session.id()?.to_string();
    drop(session);
    let store = Folder::at(&request.sound)?;
    let (key, key_made) = HallKey::read_or_make(request.key.as_deref())?;
    let loaded = load(&request.folder, &sealed.plan)?;
    let variants = request.variants.max(LEAST_VARIANTS);
    let going = Going { request, sealed: &sealed, session_id, loaded, key, store, variants };
    let (test, sounds_added) = waited(go(&going, progress))?;
    let hall = hex(&test);
    if sounds_added > 0 {
        let body = serde_json::json!({ "hall": hall, "seal": sealed.seal, "sounds_added": sounds_added, "variants": variants });
        let mut session = Session::open_write(&request.folder, clock.now())?;
        session.happened(Happening::HallPublished, request.test.as_str(), &body, clock.now())?;
    }
    let planned = draw::planned(&sealed.plan).unwrap_or(0);
    let names_come_back = sealed.plan.clips.len() as u32 * variants < 2 * 3 * planned;
    let public = request.public.as_deref().unwrap_or("").trim_end_matches('/');
    Ok(PublishedDoc {
        test: request.test.clone(),
        url: format!("{public}/h/{hall}"),
        hall,
        variants,
        sounds_added,
        key_made,
        names_come_back,
    })
}

async fn go(going: &Going<'_>, progress: &dyn Progress) -> Result<(Id, u64), Failure> {
    let database = Database::at(&going.request.database, 1)?;
    database.migrate().await?;
    let client = database.client().await?;
    let seal = going.sealed.seal.as_str();
    // One publisher of a test at a time: a second one finds what the first has made.
    records::lock(&client, seal).await?;
    let row = kept(&client, going).await?;
    check_key(&row, &going.key)?;
    if records::gate(&client, &row.test).await?.closed {
        return Err(HallError::Closed(going.sealed.plan.test.to_string()).into());
    }
    let jobs = missing(going, &records::sounds(&client, &row.test).await?, &row.test)?;
    made(&jobs, &going.store, progress)?;
    let mut random = Generator::from_secret(&mut random::seed()?);
    let orders = going.key.orders();
    let rows: Vec<(Id, Vec<u8>)> = jobs
        .iter()
        .map(|j| (j.name, orders.lock_bytes(&j.what.bytes(), &Sound::belongs_to(&row.test, &j.name), &mut random)))
        .collect();
    // In the order of their names: the order of the rows tells nothing of the clips.
    records::add_sounds(&client, &row.test, &sorted(rows)).await?;
    records::unlock(&client, seal).await?;
    Ok((row.test, jobs.len() as u64))
}

fn sorted(mut rows: Vec<(Id, Vec<u8>)>) -> Vec<(Id, Vec<u8>)> {
    rows.sort();
    rows
}

/// The test's row, written now if it is not there.
async fn kept(client: &deadpool_postgres::Object, going: &Going<'_>) -> Result<TestRow, Failure> {
    let seal = going.sealed.seal.as_str();
    if let Some(row) = records::test_of_seal(client, seal).await? {
        return Ok(row);
    }
    let test = new_id()?;
    let first = going.loaded.places.values().next();
    let (seconds, rate) = first.map_or((0.0, 0), |a| (a.frames() as f64 / a.rate().as_f64(), a.rate().hz()));
    let mut random = Generator::from_secret(&mut random::seed()?);
    let key_check = going.key.orders().lock_bytes(KEY_CHECK, &hex(&test), &mut random);
    let plan = serde_json::to_string(&going.sealed.plan).map_err(|e| HallError::Unfit(e.to_string()))?;
    let new = NewTest {
        test,
        seal,
        session_id: &going.session_id,
        plan: &plan,
        canonical: &going.sealed.canonical,
        seconds,
        rate_hz: i32::try_from(rate).unwrap_or(i32::MAX),
        key_check: &key_check,
        closes_at: going.request.closes_at,
    };
    records::add_test(client, &new).await?;
    let row = records::test_of_seal(client, seal).await?;
    Ok(row.ok_or_else(|| HallError::NotPublished(going.sealed.plan.test.to_string()))?)
}

/// Sounds that are not in the database yet, in a drawn order: the order in which files appear tells nothing.
fn missing<'a>(going: &'a Going<'_>, known: &[(Id, Vec<u8>)], test: &Id) -> Result<Vec<Job<'a>>, Failure> {
    let mut count: BTreeMap<Sound, u32> = BTreeMap::new();
    for (name, sealed) in known {
        *count.entry(Sound::read(going.key.orders(), test, name, sealed)?).or_default() += 1;
    }
    let mut jobs = Vec::new();
    let mut add = |what: Sound, audio: &'a Audio, wanted: u32| -> Result<(), Failure> {
        for _ in count.get(&what).copied().unwrap_or(0)..wanted {
            jobs.push(Job { name: new_id()?, what, audio });
        }
        Ok(())
    };
    for ((clip, treatment), audio) in &going.loaded.places {
        let what = Sound::of(&going.sealed.plan, clip, *treatment)
            .ok_or_else(|| HallError::Unfit(format!("{clip} is not of the plan")))?;
        add(what, audio, going.variants)?;
    }
    if let Some(noise) = &going.loaded.noise {
        add(NOISE, noise, 1)?;
    }
    let mut random = Generator::from_secret(&mut random::seed()?);
    random.shuffle(&mut jobs);
    Ok(jobs)
}

fn made(jobs: &[Job<'_>], store: &Folder, progress: &dyn Progress) -> Result<(), Failure> {
    let done = AtomicU64::new(0);
    jobs.par_iter().try_for_each(|job| {
        store.put(&job.name, &wav(job.audio)?)?;
        progress.step("rendering sounds", done.fetch_add(1, Ordering::Relaxed) + 1, jobs.len() as u64);
        Ok(())
    })
}
