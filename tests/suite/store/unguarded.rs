//! A session's file without its guards, which are put back at the end: a careful forger does.

use rusqlite::Connection;
use std::ops::Deref;

pub(crate) struct Unguarded {
    db: Connection,
    guards: Vec<(String, String)>,
}

impl Unguarded {
    pub(crate) fn new(db: Connection) -> Self {
        let guards: Vec<(String, String)> = db
            .prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'")
            .unwrap()
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        for (name, _) in &guards {
            db.execute_batch(&format!("DROP TRIGGER {name}")).unwrap();
        }
        Self { db, guards }
    }
}

impl Deref for Unguarded {
    type Target = Connection;

    fn deref(&self) -> &Connection {
        &self.db
    }
}

impl Drop for Unguarded {
    fn drop(&mut self) {
        for (_, sql) in &self.guards {
            self.db.execute_batch(sql).unwrap();
        }
    }
}
