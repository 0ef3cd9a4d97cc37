//! A PostgreSQL of its own for one test: in a temporary folder, by a user without rights, on a socket. Gone with the test.

use std::os::unix::fs::{MetadataExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tempfile::TempDir;

/// A running cluster.
pub(super) struct Cluster {
    folder: TempDir,
    programs: PathBuf,
    user: Option<(u32, u32)>,
    /// Every program of the cluster is run behind this command.
    behind: Vec<String>,
}

/// Debian's folder of the newest server, else what the path has.
fn programs() -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .map(|all| all.flatten().map(|e| e.path().join("bin")).filter(|p| p.join("initdb").exists()).collect())
        .unwrap_or_default();
    found.sort();
    found.pop().unwrap_or_default()
}

fn number(what: &str, name: &str) -> u32 {
    let out = Command::new("getent").args([what, name]).output().unwrap();
    String::from_utf8_lossy(&out.stdout).split(':').nth(2).unwrap().trim().parse().unwrap()
}

impl Cluster {
    /// Its folder alone, for a user without rights.
    pub(super) fn nothing_yet() -> Self {
        let folder = TempDir::with_prefix("hall-pg-").unwrap();
        let root = std::fs::metadata("/proc/self").unwrap().uid() == 0;
        let user = root.then(|| (number("passwd", "nobody"), number("group", "nogroup")));
        if let Some((uid, gid)) = user {
            chown(folder.path(), Some(uid), Some(gid)).unwrap();
        }
        Self { folder, programs: programs(), user, behind: Vec::new() }
    }

    /// A standby that has every commit before it is acknowledged.
    pub(super) fn standby(&self) -> Self {
        let standby = Self::nothing_yet();
        standby.run("pg_basebackup", &["-h", &self.socket(), "-U", "hall", "-D", &standby.data(), "-R", "-c", "fast"]);
        standby.begin();
        // It was copied before this, so that it waits for no other one when it takes over.
        self.sql("alter system set synchronous_standby_names = '*'");
        self.sql("select pg_reload_conf()");
        for _ in 0..600 {
            if self.sql("select count(*) from pg_stat_replication where sync_state = 'sync'").trim() == "1" {
                return standby;
            }
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        panic!("the standby does not follow: {}", self.sql("select * from pg_stat_replication"));
    }

    /// The standby is the database from now on.
    pub(super) fn takes_over(&self) {
        self.run("pg_ctl", &["-D", &self.data(), "-w", "-t", "60", "promote"]);
    }

    pub(super) fn start() -> Self {
        Self::nothing_yet().filled()
    }

    /// With its data on another disk, which only programs behind this command see. Segments of its log are small: it fills in steps.
    pub(super) fn behind(mut self, command: Vec<String>) -> Self {
        self.behind = command;
        self.filled()
    }

    fn filled(self) -> Self {
        let data = self.data();
        let kind = ["-A", "trust", "-U", "hall", "--no-sync", "-E", "UTF8", "--locale=C", "--wal-segsize=1"];
        self.run("initdb", &[&["-D", data.as_str()][..], &kind].concat());
        self.begin();
        self.run("createdb", &["-h", &self.socket(), "-U", "hall", "hall"]);
        self
    }

    pub(super) fn data(&self) -> String {
        self.folder.path().join("data").display().to_string()
    }

    pub(super) fn socket(&self) -> String {
        self.folder.path().display().to_string()
    }

    pub(super) fn path(&self) -> &Path {
        self.folder.path()
    }

    pub(super) fn command(&self, program: &str, args: &[&str]) -> Command {
        let mut words = self.behind.clone();
        if let Some((uid, gid)) = self.user {
            words.extend(["setpriv".to_owned(), format!("--reuid={uid}"), format!("--regid={gid}"), "--clear-groups".to_owned()]);
        }
        words.push(self.programs.join(program).display().to_string());
        let mut command = Command::new(&words[0]);
        command.args(&words[1..]).args(args).current_dir(self.folder.path()).stdin(Stdio::null());
        command
    }

    /// The server's output goes into a file: it would keep a pipe open for ever.
    fn run(&self, program: &str, args: &[&str]) {
        let said = self.folder.path().join("said");
        let out = std::fs::File::options().create(true).append(true).open(&said).unwrap();
        let ended = self
            .command(program, args)
            .stdout(out.try_clone().unwrap())
            .stderr(out)
            .status()
            .unwrap_or_else(|e| panic!("{program}: {e}"));
        assert!(ended.success(), "{program}: {}", std::fs::read_to_string(said).unwrap());
    }

    /// Waits until it answers; started again if it gave up, as whoever keeps it would.
    pub(super) fn comes_back(&self) {
        let says = |program: &str, args: &[&str]| {
            self.command(program, args).stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
        };
        for _ in 0..600 {
            if says("pg_isready", &["-q", "-h", &self.socket()]) {
                return;
            }
            if !says("pg_ctl", &["-D", &self.data(), "status"]) {
                self.begin();
            }
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
        panic!("the database does not come back: {}", std::fs::read_to_string(self.folder.path().join("log")).unwrap());
    }

    /// Who owns its files.
    pub(super) fn owner(&self) -> Option<(u32, u32)> {
        self.user
    }

    /// Starts (again).
    pub(super) fn begin(&self) {
        let options = format!("-k {} -c listen_addresses='' -c shared_buffers=16MB -c max_connections=60", self.socket());
        self.run(
            "pg_ctl",
            &["-D", &self.data(), "-w", "-t", "60", "-o", &options, "-l", &format!("{}/log", self.socket()), "start"],
        );
    }

    /// Stops as a power cut does: nothing is put in order.
    pub(super) fn cut(&self) {
        self.run("pg_ctl", &["-D", &self.data(), "-m", "immediate", "stop"]);
    }

    pub(super) fn url(&self) -> String {
        format!("postgres://hall@/hall?host={}", self.socket().replace('/', "%2F"))
    }

    /// What a statement gives: rows by line, columns by tab.
    pub(super) fn sql(&self, text: &str) -> String {
        self.tries(text).unwrap_or_else(|said| panic!("{said}"))
    }

    /// A statement that may fail: what is said then.
    pub(super) fn tries(&self, text: &str) -> Result<String, String> {
        let out =
            self.command("psql", &["-h", &self.socket(), "-U", "hall", "-d", "hall", "-AtF", "\t", "-c", text]).output().unwrap();
        if out.status.success() {
            Ok(String::from_utf8(out.stdout).unwrap())
        } else {
            Err(String::from_utf8_lossy(&out.stderr).into_owned())
        }
    }

    /// A statement that runs beside the test.
    pub(super) fn beside(&self, text: &str) -> std::process::Child {
        let args = ["-h", &self.socket(), "-U", "hall", "-d", "hall", "-c", text];
        self.command("psql", &args).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// Everything in it, as its owner can write it out.
    pub(super) fn dump(&self) -> String {
        let out = self.command("pg_dump", &["-h", &self.socket(), "-U", "hall", "hall"]).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).unwrap()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        let _ = self
            .command("pg_ctl", &["-D", &self.data(), "-m", "immediate", "stop"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status();
    }
}
