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
    pub(super) fn start() -> Self {
        let folder = TempDir::with_prefix("hall-pg-").unwrap();
        let root = std::fs::metadata("/proc/self").unwrap().uid() == 0;
        let user = root.then(|| (number("passwd", "nobody"), number("group", "nogroup")));
        if let Some((uid, gid)) = user {
            chown(folder.path(), Some(uid), Some(gid)).unwrap();
        }
        let cluster = Self { folder, programs: programs(), user };
        let data = cluster.data();
        cluster.run("initdb", &["-D", &data, "-A", "trust", "-U", "hall", "--no-sync", "-E", "UTF8", "--locale=C"]);
        cluster.begin();
        cluster.run("createdb", &["-h", &cluster.socket(), "-U", "hall", "hall"]);
        cluster
    }

    fn data(&self) -> String {
        self.folder.path().join("data").display().to_string()
    }

    pub(super) fn socket(&self) -> String {
        self.folder.path().display().to_string()
    }

    pub(super) fn path(&self) -> &Path {
        self.folder.path()
    }

    pub(super) fn command(&self, program: &str, args: &[&str]) -> Command {
        let program = self.programs.join(program);
        let mut command = match self.user {
            Some((uid, gid)) => {
                let mut command = Command::new("setpriv");
                command.args([format!("--reuid={uid}"), format!("--regid={gid}"), "--clear-groups".to_owned()]).arg(program);
                command
            }
            None => Command::new(program),
        };
        command.args(args).current_dir(self.folder.path()).stdin(Stdio::null());
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
        let out =
            self.command("psql", &["-h", &self.socket(), "-U", "hall", "-d", "hall", "-AtF", "\t", "-c", text]).output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        String::from_utf8(out.stdout).unwrap()
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
