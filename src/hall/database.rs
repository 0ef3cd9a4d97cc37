//! Connections with a deadline, and migrations.

use super::HallError;
use crate::model::failure::Failure;
use deadpool_postgres::{Manager, ManagerConfig, Object, Pool, PoolError, RecyclingMethod, Runtime};
use std::time::Duration;
use tokio_postgres::{Config, NoTls};

/// Migrations, oldest first. Only ever added to.
const MIGRATIONS: [&str; 1] = [include_str!("../../migrations/hall/0001.sql")];

/// Replicas that start at the same moment take turns at this lock.
const LOCK: i64 = 0x6361_626A_6861_6C6C;

/// Who waits longer for a connection is sent away: better than a queue that grows.
const WAIT: Duration = Duration::from_secs(2);
/// No answer of the database may take longer.
const ANSWER: Duration = Duration::from_secs(6);

/// A database with its connections.
#[derive(Clone)]
pub(super) struct Database {
    pool: Pool,
}

/// Waits for an answer of the database, and not for ever.
pub(super) async fn answered<T>(question: impl Future<Output = Result<T, tokio_postgres::Error>>) -> Result<T, HallError> {
    match tokio::time::timeout(ANSWER, question).await {
        Ok(answer) => Ok(answer?),
        Err(_) => Err(HallError::Busy),
    }
}

impl Database {
    /// Reads the address; connects at the first question.
    pub(super) fn at(url: &str, connections: usize) -> Result<Self, Failure> {
        let mut config: Config = url.parse().map_err(|e: tokio_postgres::Error| {
            // The parser's message names the option that it did not understand, never its value.
            HallError::Address(e.to_string())
        })?;
        let given = config.get_options().map(|o| format!("{o} ")).unwrap_or_default();
        // A pick is acknowledged when it is on disk, whatever the server's own settings say.
        config.options(format!("{given}-c synchronous_commit=on -c statement_timeout=5000 -c lock_timeout=4000"));
        config.application_name("cabjury hall").connect_timeout(WAIT).keepalives_idle(Duration::from_secs(20));
        let manager = Manager::from_config(config, NoTls, ManagerConfig { recycling_method: RecyclingMethod::Fast });
        let pool = Pool::builder(manager)
            .max_size(connections.max(1))
            .runtime(Runtime::Tokio1)
            .wait_timeout(Some(WAIT))
            .create_timeout(Some(WAIT))
            .recycle_timeout(Some(WAIT))
            .build()
            .map_err(|e| HallError::Start(e.to_string()))?;
        Ok(Self { pool })
    }

    /// A connection, within the deadline.
    pub(super) async fn client(&self) -> Result<Object, HallError> {
        self.pool.get().await.map_err(|e| match e {
            PoolError::Backend(e) => e.into(),
            PoolError::Timeout(deadpool_postgres::TimeoutType::Wait) => HallError::Busy,
            PoolError::Timeout(_) => HallError::Unreachable("it did not answer in time".to_owned()),
            other => HallError::Unreachable(other.to_string()),
        })
    }

    /// Connections in use, and how many there may be.
    pub(super) fn in_use(&self) -> (usize, usize) {
        let status = self.pool.status();
        (status.size.saturating_sub(status.available), status.max_size)
    }

    /// Brings the tables up to date. Several replicas may do so at once: one does, the others find it done.
    pub(super) async fn migrate(&self) -> Result<(), HallError> {
        let mut client = self.client().await?;
        let transaction = client.transaction().await?;
        transaction.execute("select pg_advisory_xact_lock($1)", &[&LOCK]).await?;
        let table =
            "create table if not exists hall_migrations (number integer primary key, at timestamptz not null default now())";
        transaction.batch_execute(table).await?;
        let found: i32 = transaction.query_one("select coalesce(max(number), 0) from hall_migrations", &[]).await?.get(0);
        let known = i32::try_from(MIGRATIONS.len()).unwrap_or(i32::MAX);
        if found > known {
            return Err(HallError::Newer { found, known });
        }
        for (number, text) in (1..).zip(MIGRATIONS).filter(|(number, _)| *number > found) {
            transaction.batch_execute(text).await?;
            transaction.execute("insert into hall_migrations (number) values ($1)", &[&number]).await?;
        }
        Ok(transaction.commit().await?)
    }
}
