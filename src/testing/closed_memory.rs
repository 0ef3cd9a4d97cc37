//! This process' memory, closed to other programs of the same user: while a trial is open the order is in it and nowhere else.
//!
//! Linux: `PR_SET_DUMPABLE` 0 (prctl(2)): no core dump, no `ptrace`, no `/proc/PID/mem` but for root, who can always look. It stays so until
//! the process ends, for freed memory may hold what was in it.

use std::sync::OnceLock;

/// Whether other programs of the same user can look into this process.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Memory {
    /// They cannot.
    Closed,
    /// They may be able to, and why.
    Open(String),
}

impl Memory {
    /// What whoever runs the program should know; nothing where the memory is closed.
    #[must_use]
    pub fn warning(&self) -> Option<String> {
        match self {
            Self::Closed => None,
            Self::Open(why) => Some(format!(
                "other programs of the same user could read this one's memory, and with it the order of an open trial: {why}; let \
                 listeners sit at another device, or under another account"
            )),
        }
    }
}

/// Closes it, once for the whole process.
pub fn close() -> &'static Memory {
    static STATE: OnceLock<Memory> = OnceLock::new();
    STATE.get_or_init(closed)
}

#[cfg(target_os = "linux")]
fn closed() -> Memory {
    use rustix::process::{DumpableBehavior, set_dumpable_behavior};
    match set_dumpable_behavior(DumpableBehavior::NotDumpable) {
        Ok(()) => Memory::Closed,
        Err(e) => Memory::Open(format!("the system refused to close it ({e})")),
    }
}

#[cfg(not(target_os = "linux"))]
fn closed() -> Memory {
    Memory::Open("on this system no way to close it is known here".to_owned())
}
