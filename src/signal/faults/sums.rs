//! Sums over a block that the compiler turns into vector code: several partial sums side by side, added up in one fixed order.

/// Partial sums side by side.
const LANES: usize = 8;

/// Running sum and sum of squares of one channel.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sums {
    frames: u64,
    sum: f64,
    squares: f64,
}

impl Sums {
    /// Takes the next block; all samples must be finite.
    pub(super) fn push(&mut self, block: &[f32]) {
        let (mut sum, mut squares) = ([0.0f64; LANES], [0.0f64; LANES]);
        let chunks = block.chunks_exact(LANES);
        for (i, v) in chunks.remainder().iter().enumerate() {
            sum[i] += f64::from(*v);
            squares[i] += f64::from(*v) * f64::from(*v);
        }
        for chunk in chunks {
            for (i, v) in chunk.iter().enumerate() {
                sum[i] += f64::from(*v);
                squares[i] += f64::from(*v) * f64::from(*v);
            }
        }
        self.sum += sum.iter().sum::<f64>();
        self.squares += squares.iter().sum::<f64>();
        self.frames += block.len() as u64;
    }

    /// The mean of all samples so far.
    pub(super) fn mean(&self) -> f64 {
        self.sum / self.frames.max(1) as f64
    }

    /// The mean of their squares.
    pub(super) fn mean_square(&self) -> f64 {
        self.squares / self.frames.max(1) as f64
    }
}

/// Sums of one stretch.
pub(super) fn sums(x: &[f32]) -> Sums {
    let mut sums = Sums::default();
    sums.push(x);
    sums
}

/// Smallest and largest of a stretch; (infinity, -infinity) for an empty one.
pub(super) fn extent(x: &[f32]) -> (f32, f32) {
    let (mut low, mut high) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES]);
    let mut take = |chunk: &[f32]| {
        for (i, v) in chunk.iter().enumerate() {
            low[i] = if *v < low[i] { *v } else { low[i] };
            high[i] = if *v > high[i] { *v } else { high[i] };
        }
    };
    let chunks = x.chunks_exact(LANES);
    take(chunks.remainder());
    chunks.for_each(&mut take);
    (low.into_iter().fold(f32::INFINITY, f32::min), high.into_iter().fold(f32::NEG_INFINITY, f32::max))
}

/// Largest difference of two stretches of equal length.
pub(super) fn apart(a: &[f32], b: &[f32]) -> f32 {
    let mut most = [0.0f32; LANES];
    for (a, b) in a.chunks(LANES).zip(b.chunks(LANES)) {
        for ((m, a), b) in most.iter_mut().zip(a).zip(b) {
            let d = (a - b).abs();
            *m = if d > *m { d } else { *m };
        }
    }
    most.into_iter().fold(0.0, f32::max)
}
