//! `hall`: a blind test for an audience of thousands.

use super::shell::{Outcome, Shell};
use crate::model::failure::Failure;
use crate::model::ids::TestId;
use jiff::Timestamp;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

pub(crate) const EXAMPLE: &str = "\
Example:
  cabjury hall publish evening --test test-2 --sound /srv/sound --key hall.key
  cabjury hall serve --key hall.key --listen 127.0.0.1:4801 --public https://listen.example
  cabjury hall close evening --test test-2
  cabjury hall collect evening --test test-2 --key hall.key";

/// What was typed.
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLE, disable_help_subcommand = true)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) what: What,
}

/// Where the database is.
#[derive(Debug, clap::Args)]
pub(crate) struct Database {
    /// The database, as postgres://USER@HOST/NAME; else the environment's CABJURY_HALL_DATABASE, which no list of processes shows.
    #[arg(long, value_name = "URL")]
    pub(crate) database: Option<String>,
}

/// Which test: sealed before with cabjury plan --audience.
#[derive(Debug, clap::Args)]
pub(crate) struct Of {
    /// The session's folder.
    pub(crate) folder: PathBuf,
    /// The test that was sealed with plan --audience.
    #[arg(long, value_name = "T")]
    pub(crate) test: TestId,
    #[command(flatten)]
    pub(crate) database: Database,
}

/// The hall's key.
#[derive(Debug, clap::Args)]
pub(crate) struct Key {
    /// The file of the hall's key; else the environment's CABJURY_HALL_KEY.
    #[arg(long, value_name = "FILE")]
    pub(crate) key: Option<PathBuf>,
}

/// What to do.
#[derive(Debug, clap::Subcommand)]
pub(crate) enum What {
    /// Sends a sealed test out: its sounds into the store, its plan into the database. Again: adds what is missing.
    Publish(Publish),
    /// Serves visitors until it is told to stop. Any number may run.
    Serve(Serve),
    /// How many came, and how far they are.
    Status(Of),
    /// Ends a test for its audience.
    Close(Of),
    /// Brings what was answered into the session, every order opened.
    Collect(Collect),
}

/// What `publish` was asked for.
#[derive(Debug, clap::Args)]
pub(crate) struct Publish {
    #[command(flatten)]
    pub(crate) of: Of,
    /// The folder that the web server serves as sound; made if it is not there.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) sound: PathBuf,
    #[command(flatten)]
    pub(crate) key: Key,
    /// Sounds of each clip, each with dither of its own; 4 at least.
    #[arg(long, value_name = "V", default_value_t = crate::hall::publish::VARIANTS)]
    pub(crate) variants: u32,
    /// No trial and no answer after it, as in 2030-01-31T20:00:00Z.
    #[arg(long, value_name = "TIME")]
    pub(crate) closes: Option<Timestamp>,
    /// Scheme and name that visitors see, for the link.
    #[arg(long, value_name = "URL")]
    pub(crate) public: Option<String>,
}

/// What `serve` was asked for.
#[derive(Debug, clap::Args)]
pub(crate) struct Serve {
    #[command(flatten)]
    pub(crate) database: Database,
    #[command(flatten)]
    pub(crate) key: Key,
    /// Where to listen; a web server with TLS stands before it.
    #[arg(long, value_name = "ADDR", default_value = "127.0.0.1:4801")]
    pub(crate) listen: SocketAddr,
    /// Scheme and name that visitors see; default where it listens.
    #[arg(long, value_name = "URL")]
    pub(crate) public: Option<String>,
    /// Serve the sounds of this folder, too: for a room, or to try it.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) sound: Option<PathBuf>,
    /// Where sounds are, if not under /sound of the same address.
    #[arg(long, value_name = "URL")]
    pub(crate) sound_url: Option<String>,
    /// Connections to the database.
    #[arg(long, value_name = "N", default_value_t = 16)]
    pub(crate) connections: usize,
    /// Requests of one address in a minute, a tenth of them of new visitors; whole schools may share an address.
    #[arg(long, value_name = "N", default_value_t = 12_000)]
    pub(crate) per_address: u32,
    /// A web server on another machine that passes visitors on: its X-Forwarded-For is believed. This machine's is in any case.
    #[arg(long = "proxy", value_name = "IP")]
    pub(crate) proxies: Vec<IpAddr>,
}

/// What `collect` was asked for.
#[derive(Debug, clap::Args)]
pub(crate) struct Collect {
    #[command(flatten)]
    pub(crate) of: Of,
    #[command(flatten)]
    pub(crate) key: Key,
}

#[cfg(feature = "hall")]
pub(crate) use with::run;

/// Says that this program was built without it.
#[cfg(not(feature = "hall"))]
pub(crate) fn run(args: &Args, _shell: &mut Shell) -> Result<Outcome, Failure> {
    let _ = args;
    let next = "build it in: cargo build --release --features hall";
    Err(Failure::plain("no-hall", crate::model::explain::Fate::WrongUse, "this program was built without the hall", next))
}

#[cfg(feature = "hall")]
mod with {
    use super::{Args, Collect, Database, Failure, Of, Outcome, Publish, Serve, Shell, What};
    use crate::hall::collect::collect;
    use crate::hall::publish::{Request, publish};
    use crate::hall::running::{close, status};
    use crate::hall::{ENV_DATABASE, HallError, Options, Ready, serve};
    use crate::model::outside::SystemClock;
    use crate::report::text::count;
    use crate::testing::closed_memory;
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;

    impl Database {
        fn url(&self) -> Result<String, Failure> {
            let given = self.database.clone().or_else(|| std::env::var(ENV_DATABASE).ok());
            Ok(given.ok_or_else(|| HallError::Address(format!("neither --database nor {ENV_DATABASE} has it")))?)
        }
    }

    /// Does what was asked.
    pub(crate) fn run(args: &Args, shell: &mut Shell) -> Result<Outcome, Failure> {
        match &args.what {
            What::Publish(args) => published(args, shell),
            What::Serve(args) => served(args, shell),
            What::Status(of) => standing(of, shell),
            What::Close(of) => closed(of, shell),
            What::Collect(args) => collected(args, shell),
        }
    }

    fn published(args: &Publish, shell: &mut Shell) -> Result<Outcome, Failure> {
        let request = Request {
            folder: args.of.folder.clone(),
            test: args.of.test.clone(),
            database: args.of.database.url()?,
            sound: args.sound.clone(),
            key: args.key.key.clone(),
            variants: args.variants,
            closes_at: args.closes,
            public: args.public.clone(),
        };
        let doc = publish(&request, &SystemClock, &shell.progress())?;
        if doc.key_made {
            shell.warn("the hall's key was drawn and written: keep a copy; without it nothing that is answered can be opened");
        }
        if doc.names_come_back {
            shell.warn(
                "few sounds for so many trials: their names will come back to one visitor; publish again with more --variants",
            );
        }
        let sounds = count(usize::try_from(doc.sounds_added).unwrap_or(usize::MAX), "sound", "sounds");
        shell.say(&format!("{} is published: {sounds} added, {} of each clip", doc.test, doc.variants));
        shell.say(&format!("visitors: {}", doc.url));
        shell.document(&doc);
        Ok(Outcome::Done)
    }

    fn served(args: &Serve, shell: &mut Shell) -> Result<Outcome, Failure> {
        let stop = Arc::new(AtomicBool::new(false));
        #[cfg(unix)]
        for signal in [signal_hook::consts::SIGINT, signal_hook::consts::SIGTERM, signal_hook::consts::SIGHUP] {
            // Where a signal cannot be watched, the system's own way of ending stays: the database has everything.
            let _ = signal_hook::flag::register(signal, Arc::clone(&stop));
        }
        if let Some(warning) = closed_memory::close().warning() {
            shell.warn(&warning);
        }
        let options = Options {
            database: args.database.url()?,
            key: args.key.key.clone(),
            listen: args.listen,
            public: args.public.clone(),
            sound: args.sound.clone(),
            sound_url: args.sound_url.clone(),
            connections: args.connections,
            per_address: args.per_address,
            proxies: args.proxies.clone(),
        };
        serve(&options, &stop, Arc::new(super::super::shell::log_line), |ready| say(shell, ready))?;
        shell.say("This replica is closed; open trials go on at another one.");
        Ok(Outcome::Done)
    }

    fn say(shell: &mut Shell, ready: &Ready) {
        if shell.json() {
            shell.put(&serde_json::to_string(ready).unwrap_or_default());
        } else {
            shell.put(&format!("The hall is open: {} at {}", ready.public, ready.listen));
            shell.put(&format!("The engineer's page: {}", ready.engineer));
            shell.put("End it with Ctrl-C; open trials go on at another replica, or later.");
        }
        shell.flush();
    }

    fn standing(of: &Of, shell: &mut Shell) -> Result<Outcome, Failure> {
        let doc = status(&of.folder, &of.test, &of.database.url()?)?;
        let state = if doc.closed { "closed" } else { "open" };
        shell.say(&format!(
            "{}: {state}, {} visitors, {} trials opened, {} answered, {} sounds",
            doc.test, doc.visitors, doc.opened, doc.picks, doc.sounds
        ));
        for (answers, people) in &doc.answered {
            shell.say(&format!("  {answers} answered: {people} visitors"));
        }
        shell.document(&doc);
        Ok(Outcome::Done)
    }

    fn closed(of: &Of, shell: &mut Shell) -> Result<Outcome, Failure> {
        let doc = close(&of.folder, &of.test, &of.database.url()?)?;
        shell.say(&format!("{} is closed since {}; collect it with: cabjury hall collect", doc.test, doc.closed_at));
        shell.document(&doc);
        Ok(Outcome::Done)
    }

    fn collected(args: &Collect, shell: &mut Shell) -> Result<Outcome, Failure> {
        let (of, key) = (&args.of, args.key.key.as_deref());
        let doc = collect(&of.folder, &of.test, &of.database.url()?, key, &SystemClock)?;
        let c = &doc.collected;
        let again = if doc.again { ", the same as before" } else { "" };
        shell.say(&format!(
            "{}: {} answers of {} trials by {} visitors in {}{again}\n  SHA-256 {}",
            doc.test, c.picks, c.trials, c.visitors, c.file, c.sha256
        ));
        shell.document(&doc);
        Ok(Outcome::Done)
    }
}
