//! A PostgreSQL server of the tests' own: one for a test process, reached through a socket in its folder, gone with the process.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread::sleep;
use std::time::{Duration, Instant};

use postgres::{Client, Config, NoTls};

/// How long a server may take to start on a machine that does much else.
const START_TIMEOUT: Duration = Duration::from_secs(60);
/// Safe against nothing but fast: the data go with the tests.
const SETTINGS: [&str; 7] = [
    "listen_addresses=",
    "fsync=off",
    "full_page_writes=off",
    "synchronous_commit=off",
    "shared_buffers=32MB",
    "max_connections=60",
    "timezone=America/Chicago",
];
/// Starts the server `$1` with the data `$2` and the rest of the arguments; ends it and deletes the data when standard input ends, which it does
/// with the tests, however they end.
const KEEPER: &str = r#"trap '' INT TERM HUP
server=$1 data=$2
shift 2
"$server" -D "$data" "$@" </dev/null &
read -r _
kill -INT $!
wait
rm -rf "${data%/*}""#;

static SERVER: LazyLock<Server> = LazyLock::new(Server::start);

struct Server {
    folder: PathBuf,
    databases: AtomicU32,
}

/// A new, empty database on the tests' server.
///
/// # Panics
/// Where there is no PostgreSQL on this machine, or it does not start; the message says what to do.
pub fn new_database() -> Config {
    let server = &*SERVER;
    let number = server.databases.fetch_add(1, Ordering::Relaxed);
    let name = format!("test_{number}");
    let mut client = server
        .config("postgres")
        .connect(NoTls)
        .expect("the tests' server takes connections");
    client
        .batch_execute(&format!("CREATE DATABASE {name}"))
        .expect("the tests' server makes a database");
    server.config(&name)
}

impl Server {
    fn start() -> Self {
        let programs = programs();
        // The name of a socket may have about a hundred characters; a folder of cargo's would be too long.
        let folder = tempfile::Builder::new()
            .prefix("cagehand-postgres-")
            .tempdir()
            .expect("a folder for the tests' server")
            .keep();
        // The server refuses to run as root.
        let user = is_root(&folder).then(|| ids_of("postgres"));
        if let Some((user, group)) = user {
            chown(&folder, Some(user), Some(group)).expect("give the folder to the server's user");
        }
        let as_user = |program: &OsStr| {
            let mut command = Command::new(program);
            command.current_dir(&folder).stdin(Stdio::null());
            if let Some((user, group)) = user {
                command.uid(user).gid(group);
            }
            command
        };
        let data = folder.join("data");
        let made = as_user(programs.join("initdb").as_os_str())
            .args(["-A", "trust", "-U", "postgres", "-N", "-E", "UTF8"])
            .args(["--locale=C", "-D"])
            .arg(&data)
            .output()
            .expect("run initdb");
        assert!(
            made.status.success(),
            "initdb: {}",
            String::from_utf8_lossy(&made.stderr)
        );
        let log = fs::File::create(folder.join("log")).expect("a log of the tests' server");
        let mut keeper = as_user(OsStr::new("sh"));
        keeper
            .args(["-c", KEEPER, "keeper"])
            .arg(programs.join("postgres"))
            .arg(&data)
            .arg("-k")
            .arg(&folder)
            .args(SETTINGS.iter().flat_map(|setting| ["-c", setting]))
            .stdin(Stdio::piped())
            .stdout(log.try_clone().expect("a log of the tests' server"))
            .stderr(log);
        let keeper = keeper.spawn().expect("start the tests' server");
        // Its standard input stays open as long as this process lives.
        std::mem::forget(keeper);
        let server = Self {
            folder,
            databases: AtomicU32::new(0),
        };
        server.wait_until_it_answers();
        server
    }

    fn config(&self, database: &str) -> Config {
        let mut config = Config::new();
        config
            .host_path(&self.folder)
            .user("postgres")
            .dbname(database);
        config
    }

    fn wait_until_it_answers(&self) {
        let began = Instant::now();
        loop {
            let answer: Result<Client, _> = self.config("postgres").connect(NoTls);
            match answer {
                Ok(_) => return,
                Err(_) if began.elapsed() < START_TIMEOUT => sleep(Duration::from_millis(20)),
                Err(error) => {
                    let log = fs::read_to_string(self.folder.join("log")).unwrap_or_default();
                    panic!("the tests' PostgreSQL does not start: {error}\n{log}");
                }
            }
        }
    }
}

/// The folder of the server's programs: Debian keeps each version's in a folder of its own.
fn programs() -> PathBuf {
    let on_path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .flatten()
        .map(|version| version.path().join("bin"))
        .collect();
    let version = |folder: &PathBuf| {
        let name = folder.parent().and_then(Path::file_name);
        name.and_then(|name| name.to_string_lossy().parse::<u32>().ok())
    };
    folders.sort_by_key(version);
    std::env::split_paths(&on_path)
        .chain(folders.into_iter().rev())
        .find(|folder| folder.join("initdb").is_file() && folder.join("postgres").is_file())
        .expect("these tests need a PostgreSQL server: install the Debian package `postgresql`")
}

/// Whoever made the folder is whoever runs this.
fn is_root(folder: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(folder).expect("the folder is there").uid() == 0
}

/// The numbers of a user and its group.
fn ids_of(user: &str) -> (u32, u32) {
    let users = fs::read_to_string("/etc/passwd").expect("the list of users");
    users
        .lines()
        .map(|line| line.split(':').collect::<Vec<_>>())
        .find(|fields| fields.first() == Some(&user))
        .and_then(|fields| Some((fields.get(2)?.parse().ok()?, fields.get(3)?.parse().ok()?)))
        .expect("root may not run PostgreSQL, and its user is missing: install the Debian package `postgresql`")
}
