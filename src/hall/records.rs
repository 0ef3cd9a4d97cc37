//! Every statement that is sent to the database.

use super::HallError;
use super::database::answered;
use super::key::Id;
use crate::model::trial::{Answer, SlotHeard};
use deadpool_postgres::Object;
use jiff::Timestamp;
use tokio_postgres::Row;

/// A test as it is kept.
pub(super) struct TestRow {
    pub(super) test: Id,
    pub(super) session_id: String,
    pub(super) plan: String,
    pub(super) seconds: f64,
    pub(super) rate_hz: i32,
    pub(super) key_check: Vec<u8>,
}

/// Whether visitors may go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Gate {
    /// Closed, by hand or by its date.
    pub(super) closed: bool,
}

/// A visitor's trial, with its pick if there is one.
pub(super) struct TrialRow {
    pub(super) trial: Id,
    pub(super) visitor: Id,
    pub(super) number: i16,
    pub(super) commitment: Vec<u8>,
    pub(super) sealed: Vec<u8>,
    pub(super) opened_at: Timestamp,
    /// Milliseconds since it was opened, by the database's clock: replicas' clocks may differ.
    pub(super) open_for_ms: i64,
    pub(super) pick: Option<PickRow>,
}

/// A pick as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PickRow {
    pub(super) answer: Answer,
    pub(super) heard: Vec<SlotHeard>,
    pub(super) at: Timestamp,
}

/// A test that is to be published.
pub(super) struct NewTest<'a> {
    pub(super) test: Id,
    pub(super) seal: &'a str,
    pub(super) session_id: &'a str,
    pub(super) plan: &'a str,
    pub(super) canonical: &'a str,
    pub(super) seconds: f64,
    pub(super) rate_hz: i32,
    pub(super) key_check: &'a [u8],
    pub(super) closes_at: Option<Timestamp>,
}

const MICROS: &str = "(extract(epoch from {}) * 1000000)::bigint";

fn micros(column: &str) -> String {
    MICROS.replace("{}", column)
}

fn time(micros: i64) -> Timestamp {
    // PostgreSQL's times end where jiff's do not begin to: a year beyond 9999 is nobody's pick.
    Timestamp::from_microsecond(micros).unwrap_or(Timestamp::MAX)
}

fn fixed<const N: usize>(row: &Row, column: usize) -> Result<[u8; N], HallError> {
    let bytes: &[u8] = row.get(column);
    bytes.try_into().map_err(|_| HallError::Refused("a row has a column of another length than it was made with".to_owned()))
}

const TEST: &str = "select test, session_id, plan, seconds, rate_hz, key_check from hall_tests where ";

fn test_row(row: &Row) -> Result<TestRow, HallError> {
    Ok(TestRow {
        test: fixed(row, 0)?,
        session_id: row.get(1),
        plan: row.get(2),
        seconds: row.get(3),
        rate_hz: row.get(4),
        key_check: row.get(5),
    })
}

pub(super) async fn test(client: &Object, id: &Id) -> Result<Option<TestRow>, HallError> {
    let statement = answered(client.prepare_cached(&format!("{TEST} test = $1"))).await?;
    answered(client.query_opt(&statement, &[&id.as_slice()])).await?.as_ref().map(test_row).transpose()
}

pub(super) async fn test_of_seal(client: &Object, seal: &str) -> Result<Option<TestRow>, HallError> {
    answered(client.query_opt(&format!("{TEST} seal = $1"), &[&seal])).await?.as_ref().map(test_row).transpose()
}

/// Writes the test; one of the same seal that is there already stays.
pub(super) async fn add_test(client: &Object, new: &NewTest<'_>) -> Result<(), HallError> {
    let closes = new.closes_at.map(|t| t.as_microsecond() as f64 / 1e6);
    answered(client.execute(
        "insert into hall_tests (test, seal, session_id, plan, canonical, seconds, rate_hz, key_check, closes_at) \
         values ($1, $2, $3, $4, $5, $6, $7, $8, to_timestamp($9)) on conflict (seal) do nothing",
        &[
            &new.test.as_slice(),
            &new.seal,
            &new.session_id,
            &new.plan,
            &new.canonical,
            &new.seconds,
            &new.rate_hz,
            &new.key_check,
            &closes,
        ],
    ))
    .await?;
    Ok(())
}

/// Sounds of a test: names, and what they are, encrypted.
pub(super) async fn sounds(client: &Object, test: &Id) -> Result<Vec<(Id, Vec<u8>)>, HallError> {
    let rows = answered(client.query("select name, sealed from hall_sounds where test = $1", &[&test.as_slice()])).await?;
    rows.iter().map(|row| Ok((fixed(row, 0)?, row.get(1)))).collect()
}

/// Adds sounds that are in the store already: all of them, or none.
pub(super) async fn add_sounds(client: &Object, test: &Id, all: &[(Id, Vec<u8>)]) -> Result<(), HallError> {
    let names: Vec<&[u8]> = all.iter().map(|s| s.0.as_slice()).collect();
    let sealed: Vec<&[u8]> = all.iter().map(|s| s.1.as_slice()).collect();
    answered(client.execute(
        "insert into hall_sounds (name, test, sealed) select n, $1, s from unnest($2::bytea[], $3::bytea[]) as x(n, s)",
        &[&test.as_slice(), &names, &sealed],
    ))
    .await?;
    Ok(())
}

/// One publisher of a test at a time. Held until the connection is given back to [`unlock`].
pub(super) async fn lock(client: &Object, seal: &str) -> Result<(), HallError> {
    // No deadline of ours: the other one may render for minutes.
    client.batch_execute("set statement_timeout = 0; set lock_timeout = 0").await?;
    client.execute("select pg_advisory_lock(hashtextextended($1, 0))", &[&seal]).await?;
    Ok(())
}

pub(super) async fn unlock(client: &Object, seal: &str) -> Result<(), HallError> {
    client.execute("select pg_advisory_unlock(hashtextextended($1, 0))", &[&seal]).await?;
    Ok(())
}

pub(super) async fn gate(client: &Object, test: &Id) -> Result<Gate, HallError> {
    let text = "select closed_at is not null or coalesce(closes_at <= now(), false) from hall_tests where test = $1";
    let statement = answered(client.prepare_cached(text)).await?;
    let row = answered(client.query_opt(&statement, &[&test.as_slice()])).await?;
    Ok(Gate { closed: row.is_none_or(|r| r.get(0)) })
}

fn trial_columns() -> String {
    format!(
        "t.trial, t.visitor, t.number, t.commitment, t.sealed, {}, {}, p.choice, p.confidence, p.remark, p.heard, {} \
         from hall_trials t left join hall_picks p using (trial)",
        micros("t.opened_at"),
        "(extract(epoch from clock_timestamp() - t.opened_at) * 1000)::bigint",
        micros("p.picked_at")
    )
}

fn trial_row(row: &Row) -> Result<TrialRow, HallError> {
    let pick = match row.get::<_, Option<String>>(7) {
        None => None,
        Some(choice) => Some(PickRow {
            answer: Answer {
                choice,
                confidence: row.get::<_, Option<i16>>(8).and_then(|c| u8::try_from(c).ok()),
                remark: row.get(9),
            },
            heard: serde_json::from_str(row.get(10)).map_err(|e| HallError::Refused(format!("a pick cannot be read: {e}")))?,
            at: time(row.get(11)),
        }),
    };
    Ok(TrialRow {
        trial: fixed(row, 0)?,
        visitor: fixed(row, 1)?,
        number: row.get(2),
        commitment: row.get(3),
        sealed: row.get(4),
        opened_at: time(row.get(5)),
        open_for_ms: row.get(6),
        pick,
    })
}

/// A visitor's trials, in their order.
pub(super) async fn trials_of(client: &Object, test: &Id, visitor: &Id) -> Result<Vec<TrialRow>, HallError> {
    let text = format!("select {} where t.test = $1 and t.visitor = $2 order by t.number", trial_columns());
    let statement = answered(client.prepare_cached(&text)).await?;
    let rows = answered(client.query(&statement, &[&test.as_slice(), &visitor.as_slice()])).await?;
    rows.iter().map(trial_row).collect()
}

/// A trial that is to be written.
pub(super) struct NewTrial<'a> {
    pub(super) trial: Id,
    pub(super) test: Id,
    pub(super) visitor: Id,
    pub(super) number: i16,
    pub(super) commitment: &'a [u8],
    pub(super) sealed: &'a [u8],
}

/// Writes a trial before its first sound; false where the visitor has one of that number (another replica, another window), or the test is
/// closed.
pub(super) async fn add_trial(client: &Object, new: &NewTrial<'_>) -> Result<bool, HallError> {
    let text = "insert into hall_trials (trial, test, visitor, number, commitment, sealed) \
                select $1, test, $3, $4, $5, $6 from hall_tests \
                where test = $2 and closed_at is null and coalesce(closes_at > now(), true) on conflict do nothing";
    let statement = answered(client.prepare_cached(text)).await?;
    let (trial, test, visitor) = (new.trial.as_slice(), new.test.as_slice(), new.visitor.as_slice());
    let written =
        answered(client.execute(&statement, &[&trial, &test, &visitor, &new.number, &new.commitment, &new.sealed])).await?;
    Ok(written == 1)
}

/// Writes a pick: one insert, on disk when it is answered. `None` where the trial has one already, or the test is closed.
pub(super) async fn add_pick(
    client: &Object,
    test: &Id,
    trial: &Id,
    answer: &Answer,
    heard: &[SlotHeard],
) -> Result<Option<Timestamp>, HallError> {
    let text = format!(
        "insert into hall_picks (trial, choice, confidence, remark, heard) select $1, $2, $3, $4, $5 from hall_tests \
         where test = $6 and closed_at is null and coalesce(closes_at > now(), true) on conflict do nothing returning {}",
        micros("picked_at")
    );
    let statement = answered(client.prepare_cached(&text)).await?;
    let heard = serde_json::to_string(heard).unwrap_or_default();
    let confidence = answer.confidence.map(i16::from);
    let row = answered(
        client.query_opt(&statement, &[&trial.as_slice(), &answer.choice, &confidence, &answer.remark, &heard, &test.as_slice()]),
    )
    .await?;
    Ok(row.map(|r| time(r.get(0))))
}

/// How an audience stands: numbers of people and trials, nothing of right and wrong.
#[derive(Debug, Clone, Default)]
pub(super) struct Standing {
    pub(super) visitors: i64,
    pub(super) opened: i64,
    pub(super) picks: i64,
    pub(super) sounds: i64,
    pub(super) closed: bool,
    /// Of so many visitors: how many answered exactly so many trials.
    pub(super) answered: Vec<(i64, i64)>,
}

pub(super) async fn standing(client: &Object, test: &Id) -> Result<Standing, HallError> {
    let id = test.as_slice();
    let gate = gate(client, test).await?;
    let sounds = answered(client.query_one("select count(*) from hall_sounds where test = $1", &[&id])).await?.get(0);
    let text = "select answered, count(*), sum(opened)::bigint from (select count(p.trial) as answered, count(*) as opened \
                from hall_trials t left join hall_picks p using (trial) where t.test = $1 group by t.visitor) v group by 1 order by 1";
    let rows = answered(client.query(text, &[&id])).await?;
    let mut out = Standing { closed: gate.closed, sounds, ..Standing::default() };
    for row in &rows {
        let (answers, people, opened): (i64, i64, i64) = (row.get(0), row.get(1), row.get(2));
        out.visitors += people;
        out.opened += opened;
        out.picks += answers * people;
        out.answered.push((answers, people));
    }
    Ok(out)
}

/// Ends a test; when it ended.
pub(super) async fn close(client: &Object, test: &Id) -> Result<Timestamp, HallError> {
    let text = format!(
        "update hall_tests set closed_at = coalesce(closed_at, least(now(), closes_at)) where test = $1 returning {}",
        micros("closed_at")
    );
    Ok(time(answered(client.query_one(&text, &[&test.as_slice()])).await?.get(0)))
}

/// All trials of a closed test, page after page, in the order in which they were opened. Waits for picks that were on their way when it was
/// closed: none that was acknowledged is missing.
pub(super) async fn each_trial(
    client: &Object,
    test: &Id,
    take: &mut (dyn FnMut(TrialRow) -> Result<(), crate::model::failure::Failure> + Send),
) -> Result<(), crate::model::failure::Failure> {
    use futures_util::TryStreamExt;
    client.batch_execute("set statement_timeout = 0").await.map_err(HallError::from)?;
    // Waits for every insert that began before the test was closed; those that come after see that it is.
    client.batch_execute("begin; lock table hall_picks in share mode; commit").await.map_err(HallError::from)?;
    let text = format!("select {} where t.test = $1 order by t.opened_at, t.trial", trial_columns());
    let id = test.as_slice();
    let parameters: [&(dyn tokio_postgres::types::ToSql + Sync); 1] = [&id];
    let mut rows = std::pin::pin!(client.query_raw(&text, parameters).await.map_err(HallError::from)?);
    while let Some(row) = rows.try_next().await.map_err(HallError::from)? {
        take(trial_row(&row)?)?;
    }
    Ok(())
}

/// All tests, oldest first.
pub(super) async fn all_tests(client: &Object) -> Result<Vec<Id>, HallError> {
    let rows = answered(client.query("select test from hall_tests order by published_at", &[])).await?;
    rows.iter().map(|row| fixed(row, 0)).collect()
}
