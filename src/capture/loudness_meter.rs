//! One file, from its bytes to its numbers, in one pass and in memory that does not grow with it.
//!
//! Three threads work on the same blocks side by side: reading with hashing, loudness, peaks with faults. Each sees every block in order,
//! so the numbers do not depend on how many of them really run at once.

use crate::model::audio::{FileFacts, Finding, Levels};
use crate::signal::faults::Watch;
use crate::signal::meter::{Loudness, Peaks};
use crate::sound::{self, Head, SoundError};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::Builder;

/// Blocks that may wait for the slowest thread.
const AHEAD: usize = 4;

/// What was measured of a file.
#[derive(Debug, Clone)]
pub struct Metered {
    /// What the reader found.
    pub facts: FileFacts,
    /// Loudness and peaks.
    pub levels: Levels,
    /// Faults of reader and detectors together.
    pub findings: Vec<Finding>,
}

/// Planar samples on their way, shape channels x frames.
type Block = Arc<Vec<Vec<f32>>>;

/// Blocks that are used again once every thread has let go of them.
struct Pool {
    blocks: Vec<Block>,
}

impl Pool {
    /// A copy of `planes` in a block that nobody holds.
    fn copy(&mut self, planes: &[Vec<f32>]) -> Block {
        let free = self.blocks.iter().position(|b| Arc::strong_count(b) == 1);
        let mut block = free.map_or_else(|| Arc::new(Vec::new()), |i| self.blocks.swap_remove(i));
        let inside = Arc::make_mut(&mut block);
        inside.resize_with(planes.len(), Vec::new);
        for (to, from) in inside.iter_mut().zip(planes) {
            to.clear();
            to.extend_from_slice(from);
        }
        self.blocks.push(Arc::clone(&block));
        block
    }
}

/// Measures a file; `also` sees every block on the reading thread.
///
/// # Errors
/// As [`sound::stream`].
pub fn meter_file(path: &Path, also: &mut dyn FnMut(Head, &[Vec<f32>])) -> Result<Metered, SoundError> {
    std::thread::scope(|scope| {
        let (to_loudness, loudness) = sync_channel::<(Head, Block)>(AHEAD);
        let (to_peaks, peaks) = sync_channel::<(Head, Block)>(AHEAD);
        let no_thread = |e: std::io::Error| SoundError::Unreadable { path: path.to_owned(), source: e };
        let loudness = Builder::new().spawn_scoped(scope, move || loudness_of(&loudness)).map_err(no_thread)?;
        let peaks = Builder::new().spawn_scoped(scope, move || peaks_of(&peaks)).map_err(no_thread)?;
        let mut pool = Pool { blocks: Vec::new() };
        let facts = sound::stream(path, &mut |head, planes| {
            also(head, planes);
            let block = pool.copy(planes);
            hand_on(&to_loudness, head, &block);
            hand_on(&to_peaks, head, &block);
        });
        drop((to_loudness, to_peaks));
        let (Ok(loudness), Ok(peaks)) = (loudness.join(), peaks.join()) else {
            let reason = "the meter broke down on it".to_owned();
            return Err(SoundError::Decoder { path: path.to_owned(), reason });
        };
        let facts = facts?;
        let (Some(loudness), Some((peaks, watch))) = (loudness, peaks) else {
            return Err(SoundError::NoFrames { path: path.to_owned() });
        };
        let levels = loudness.levels(&peaks);
        let mut findings = facts.findings.clone();
        findings.extend(watch.finish(&levels));
        Ok(Metered { facts, levels, findings })
    })
}

fn hand_on(to: &SyncSender<(Head, Block)>, head: Head, block: &Block) {
    // A thread that is gone has panicked; joining it says so.
    let _ = to.send((head, Arc::clone(block)));
}

fn loudness_of(blocks: &Receiver<(Head, Block)>) -> Option<Loudness> {
    let mut meter: Option<Loudness> = None;
    for (head, block) in blocks {
        meter.get_or_insert_with(|| Loudness::new(head.rate, usize::from(head.channels))).push(&block);
    }
    meter
}

fn peaks_of(blocks: &Receiver<(Head, Block)>) -> Option<(Peaks, Watch)> {
    let mut meter: Option<(Peaks, Watch)> = None;
    for (head, block) in blocks {
        let channels = usize::from(head.channels);
        let (peaks, watch) = meter.get_or_insert_with(|| (Peaks::new(head.rate, channels), Watch::new(head.rate, channels)));
        peaks.push(&block);
        watch.push(&block);
    }
    meter
}
